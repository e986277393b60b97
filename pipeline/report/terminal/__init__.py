"""Answers of the commands, on the terminal or as data."""
