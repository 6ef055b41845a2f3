"""Figures that show what findings rest on: numbers, drawn once, as SVG and as PNG. Pure: no web, no database."""
