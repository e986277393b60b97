"""The page for the client of a site, and advice in words."""
