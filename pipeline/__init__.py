"""The way of the data: ingest, normalise, check, assess, store, report."""
