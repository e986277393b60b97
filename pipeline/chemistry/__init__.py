"""Chemistry of the water: equivalents, speciation, saturation, heating and mixing; no verdicts."""
