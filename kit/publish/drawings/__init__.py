"""Drawings: tables of an analysis made ready for a figure, with its alt text, caption and film words."""
