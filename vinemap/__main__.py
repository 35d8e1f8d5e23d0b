"""Run the command line as `python -m vinemap`."""

from vinemap.cli import run_program

if __name__ == "__main__":
    run_program()
