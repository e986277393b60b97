"""What a batch leaves behind: summary, page, data and tables."""
