"""Treatments as physics: what each makes of a water."""
