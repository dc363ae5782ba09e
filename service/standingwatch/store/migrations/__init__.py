"""How the layout of the store came about, step by step."""
