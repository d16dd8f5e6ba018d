"""Geometry: what the road is."""
