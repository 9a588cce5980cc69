"""How the invented year is made: the truth, the yard that keeps the masses, the days, and what was left untidy."""
