"""Which treatment to fit, how to set it, why, and what to ask first."""
