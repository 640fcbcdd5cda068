"""`python -m pipemetal` is the command `pipemetal`."""

from pipemetal.cli.main import main

main()
