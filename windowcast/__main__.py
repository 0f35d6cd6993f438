"""``python -m windowcast``."""

from windowcast.cli import main

if __name__ == "__main__":
    main()
