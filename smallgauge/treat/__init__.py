"""Second pass: frame table to decisions. Uses propose_ only; opens no picture or sound."""
