"""The program: ``clackcount`` and ``python -m clackcount``."""

import sys


def main() -> int:
    """The exit code of the command line. Ctrl-C while that is still being loaded ends it as cleanly as later."""
    try:
        from clackcount.cli.main import main as command_line
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130
    return command_line()


if __name__ == "__main__":
    sys.exit(main())
