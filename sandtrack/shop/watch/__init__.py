"""What needs a look: small checks of the book, the mixers, the sand and the moulds."""
