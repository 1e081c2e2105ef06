"""Studies on many simulated sessions: how near the product's numbers come to the truth."""
