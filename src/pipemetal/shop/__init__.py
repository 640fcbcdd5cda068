"""Shop: the shop book; catalogue, ledger, history, backup, import and export."""
