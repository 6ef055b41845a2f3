"""A scan as a small file for a page to draw: thinned, rounded, and written face by face."""
