"""Pictures of waters, sites and controls as SVG text: pure functions, a frame in, a drawing out."""
