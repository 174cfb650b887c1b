"""Scenarios of what is not known, what decides among them, and how far the edge is."""
