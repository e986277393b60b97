"""What chemistry and arithmetic demand of a record."""
