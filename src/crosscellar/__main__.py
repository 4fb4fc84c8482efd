"""`python -m crosscellar`: the same as the command `crosscellar`."""

from crosscellar.cli import run

run()
