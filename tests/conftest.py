"""Puts this folder on the path, so that tests of every kind can import the builders that stand here."""
