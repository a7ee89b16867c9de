"""Printability: what a production reviewer looks for when a part leaves the plate ten thousand times."""
