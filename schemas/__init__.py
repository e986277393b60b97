"""Contracts of every table: columns, validation schemas and the layouts of accepted files."""
