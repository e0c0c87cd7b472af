"""Figures: each function takes a table and returns a figure; nothing is computed inside."""
