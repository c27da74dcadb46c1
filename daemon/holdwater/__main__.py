"""`python -m holdwater`: the command line."""

from holdwater.cli import main

main()
