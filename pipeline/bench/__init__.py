"""Laboratory control over time: charts of controls, and what a method can tell from nothing."""
