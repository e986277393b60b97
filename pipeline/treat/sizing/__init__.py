"""How big: capacity, load, litres and days, salt and waste."""
