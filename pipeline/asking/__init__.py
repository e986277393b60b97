"""Units that a file leaves open: what its own chemistry says of them, the question, and the answer of a person."""
