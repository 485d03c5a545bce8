"""Swings found and cut: candidates, impact, moments, shot or practice."""
