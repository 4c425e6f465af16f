"""`python -m linkcalc` is the `linkcalc` program."""

from linkcalc.cli import main

if __name__ == "__main__":
    main()
