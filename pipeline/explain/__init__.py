"""Which single mistake would make a record agree with itself."""
