"""How much sand comes back: named rates, the balance of every place, what nothing recorded explains."""
