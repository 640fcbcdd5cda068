"""Casting: gate flow, push card, freezing, table heat, pour window and calibration from logged casts."""
