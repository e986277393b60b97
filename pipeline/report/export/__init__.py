"""Data that leave in open formats, with a Table Schema beside each."""
