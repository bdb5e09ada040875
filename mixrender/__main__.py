"""The program's entry: `mixrender` and `python -m mixrender` are the command line."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; an interruption is answered from the first moment on."""
    try:
        # Importing what makes sound takes a second, in which Ctrl-C must not print a traceback.
        from mixrender.audio.quiet_libraries import hush_libraries
        from mixrender.cli import app

        hush_libraries()
        app()
    except KeyboardInterrupt:
        print("interrupted; nothing half-written was left", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    main()
