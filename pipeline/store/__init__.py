"""The DuckDB store: migrations, batches, views and queries."""
