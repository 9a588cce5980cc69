"""What to set at a mixer, what it would do, and what would serve where nothing does."""
