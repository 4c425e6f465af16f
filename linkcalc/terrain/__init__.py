"""Terrain: from elevation rasters or a surveyed file to the profile of a path."""
