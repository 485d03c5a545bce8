"""Seeing and correcting what is marked or found in a recording: steps, blocks, shots."""
