"""Reading files as they come: encodings, delimiters, spreadsheets and layouts."""
