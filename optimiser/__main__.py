"""The command line as `python -m optimiser`."""

from optimiser.command.cli import main

if __name__ == "__main__":
    main()
