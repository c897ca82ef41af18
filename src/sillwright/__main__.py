"""The command ``sillwright``, also ``python -m sillwright``."""

from __future__ import annotations

import errno
import io
import os
import sys

from sillwright.errors import SillwrightError


def main() -> None:
    """Run the command; what a person can act on is told in a sentence, never as a traceback."""
    # Photos are shared out to processes; threads of the linear algebra library below them would only spin.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a name of a file need not be text
            stream.reconfigure(errors="backslashreplace")
    try:
        from sillwright.environment import check_environment

        check_environment()
        from sillwright.cli.app import app

        app(prog_name="sillwright")
    except SillwrightError as error:
        print(f"sillwright: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except OSError as error:
        to_do = " Make room on that disk, then do it again." if error.errno in (errno.ENOSPC, errno.EDQUOT) else ""
        print(f"sillwright: {error.filename or 'a file'}: {error.strerror or error}.{to_do}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
