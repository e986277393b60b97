"""Laboratory reports as PDF: their text laid out as tables that every other stage can read."""
