"""The invented shop: every name and number in this folder is made up for demonstration."""
