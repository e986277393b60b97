"""What comes out: terminal, HTML page, JSON and CSV."""
