"""What the mixers and their pumps deliver: calibrations, and what each mix really held."""
