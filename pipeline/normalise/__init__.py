"""From raw text to canonical values: numbers, units, dates, titrations and samples."""
