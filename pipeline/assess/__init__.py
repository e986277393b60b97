"""What the water will do in a machine and in the cup."""
