"""One function per check, one module per subject; importing this package registers them all."""
