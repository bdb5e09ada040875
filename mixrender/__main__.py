"""`python -m mixrender` is the command line."""

from mixrender.cli import main

main()
