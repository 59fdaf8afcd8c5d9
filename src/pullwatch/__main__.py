"""`python -m pullwatch` is the command line."""

from pullwatch.cli import main

if __name__ == "__main__":
    main()
