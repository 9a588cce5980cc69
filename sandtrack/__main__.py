"""`python -m sandtrack` is the command line."""

from sandtrack.cli import main

main(prog_name="sandtrack")
