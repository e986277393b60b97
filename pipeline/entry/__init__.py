"""One visit typed on the command line: its numbers read, written as a kit sheet of one line, taken in as any file."""
