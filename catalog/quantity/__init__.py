"""Quantities at the boundary: text with a unit in, numbers in one unit out."""
