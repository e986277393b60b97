"""Treatments as physics, which of them to fit, how to set it, and how big."""
