"""``python -m service``: the room's data without the service's pages."""

import argparse
import sys
from collections.abc import Sequence

from service.data_command import add_data_commands, run_data_command

USAGE_ERROR = 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns its exit status, 2 on wrong use and what is refused."""
    parser = argparse.ArgumentParser(
        prog="python -m service", description="Export, import, back up and restore a room's data."
    )
    add_data_commands(parser.add_subparsers(dest="command", required=True, metavar="COMMAND"))
    options = parser.parse_args(arguments)
    try:
        return run_data_command(options)
    except ValueError as error:
        print(f"python -m service {options.command}: {error}", file=sys.stderr)
        return USAGE_ERROR


if __name__ == "__main__":
    sys.exit(main())
