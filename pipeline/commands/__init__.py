"""The commands, one module for each; `pipeline.cli` finds them by name and imports only the one that runs."""
