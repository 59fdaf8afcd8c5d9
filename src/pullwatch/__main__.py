"""Where the program begins: `pullwatch` and `python -m pullwatch`."""

import gc


def main() -> None:
    """Run the command line.

    Half of the time to "armed" is importing, a tenth of that collecting garbage there is none of. The station sets
    limits of its own once it is armed.
    """
    gc.set_threshold(100_000, 50, 50)
    from pullwatch.cli import main as run  # noqa: PLC0415 - after the line above, which is for it

    run()


if __name__ == "__main__":
    main()
