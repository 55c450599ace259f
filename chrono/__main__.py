"""Run the command line with `python -m chrono`."""

from chrono.cli import main

if __name__ == "__main__":
    main()
