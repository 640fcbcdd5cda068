"""Cli: the command line."""
