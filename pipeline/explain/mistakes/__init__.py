"""The catalogue of single mistakes."""
