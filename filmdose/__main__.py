"""``python -m filmdose`` is the command line."""

from filmdose.cli import run

if __name__ == "__main__":
    run()
