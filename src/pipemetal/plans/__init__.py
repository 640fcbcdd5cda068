"""The record of a plan: frozen values that are written whole, read back the same, brought up to date and changed by hand."""
