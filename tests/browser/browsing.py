"""The switches and the patience of every browser."""

import os

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = int(os.environ.get("PATIENCE_MS", "180000"))
"""So long a page may take on a machine that is busy with other work; nothing is measured by it. Longer, and one missing
button would outlast the checks."""
