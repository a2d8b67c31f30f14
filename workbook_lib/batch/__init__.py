"""Portfolios: what is to be run and why, the runs themselves, what they left, and what moved between two of them."""
