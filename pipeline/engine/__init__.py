"""Where portions of work are done: in this process, or on the workers of a cluster."""
