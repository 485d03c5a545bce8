"""Recordings: the data model, and reading and writing the Motion-BIDS layout."""
