"""Sensors made ready: one clock, an even grid, bias, gaps and clipping, stillness, checks in words."""
