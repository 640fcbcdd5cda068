"""Melts: lots, charges, heel, casting-day sequence, pot heat and losses."""
