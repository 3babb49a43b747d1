"""The ``trayvision`` command."""

import argparse
import importlib
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

USAGE_ERROR = 2
# Commands of the service, which lies beside this package in the project's folder.
_SERVICE_COMMANDS = {
    "serve": "keep the log of a growing room and serve it",
    "demo": "play the sample run into an invented room, tell what was noticed, then serve it",
    "export": "write the room's records into one zip file; photos with --photos",
    "import": "read an export or backup into a room that is empty, or with --replace",
    "backup": "write the whole room into one file",
    "restore": "make a room from a backup",
    "retain": "let originals of photos go that the rule does not keep",
    "remeasure": "measure kept photos again that another version measured",
}
_OWN_DATA = ("export", "import", "backup", "restore", "retain", "remeasure")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns its exit status.

    0 when all was done, 2 on wrong use, 3 when some photo could not be measured or was missing.
    """
    given = sys.argv[1:] if arguments is None else list(arguments)
    if given[:1] and given[0] in _SERVICE_COMMANDS:
        return _run_service(given[0], given[1:])
    options = _parser().parse_args(given)
    # Imported here, each by its own command: --help must not wait for image libraries.
    try:
        if options.command == "inspect":
            from trayvision.commands.inspect import run_inspect

            return run_inspect(options)
        if options.command == "kit":
            from trayvision.commands.kit import run_kit

            return run_kit(options)
        from trayvision.commands.calibrate import run_calibrate

        return run_calibrate(options)
    except ValueError as error:
        print(f"trayvision {options.command}: {error}", file=sys.stderr)
        return USAGE_ERROR


def _run_service(name: str, arguments: Sequence[str]) -> int:
    try:
        command = _service_module(name)
        parser = argparse.ArgumentParser(
            prog=f"trayvision {name}", description=_SERVICE_COMMANDS[name]
        )
        getattr(command, f"add_{name}")(parser)
        return int(getattr(command, f"run_{name}")(parser.parse_args(arguments)))
    except ValueError as error:
        print(f"trayvision {name}: {error}", file=sys.stderr)
        return USAGE_ERROR


def _service_module(name: str) -> ModuleType:
    """A command's module of the service; ValueError where the service cannot be loaded."""
    module = f"service.{'data' if name in _OWN_DATA else name}_command"
    beside = Path(__file__).resolve().parents[1]
    if (beside / "service" / "__init__.py").is_file() and str(beside) not in sys.path:
        sys.path.append(str(beside))
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as error:
        if error.name in ("service", module):
            raise ValueError(
                "the service is not part of this installation; run it from the project's folder"
            ) from error
        raise ValueError(
            f'needs the extra "service" ({error.name} is missing): install trayvision[service]'
        ) from error


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="trayvision",
        description="Measures trays of sprouting grain from photographs.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_inspect(commands.add_parser("inspect", help="measure the trays in photos"))
    _add_kit(commands.add_parser("kit", help="write the printable reference kit as a PDF"))
    _add_calibrate(
        commands.add_parser("calibrate", help="measure a camera's lens from photos of its sheet")
    )
    for name, words in _SERVICE_COMMANDS.items():
        commands.add_parser(name, help=words, add_help=False)
    return parser


def _add_inspect(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "Exit status: 0 all measured, 3 some photo or tray could not be measured (the rest are), "
        "2 wrong use."
    )
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photo, or folder of photos")
    parser.add_argument(
        "--tray-size",
        metavar="LxWxD",
        help="inner size of the trays in mm; default from the room.toml beside the photo, "
        "else 540x280x60",
    )
    parser.add_argument(
        "--camera",
        metavar="CAMERA.json",
        help="written by trayvision calibrate; without it the focal length comes from the photo's "
        "own record, else from the tags",
    )
    age = parser.add_mutually_exclusive_group()
    age.add_argument(
        "--spread-at",
        metavar="ISO-TIME",
        help="when the seed was spread; without an offset, in this machine's time zone",
    )
    age.add_argument("--day", type=float, metavar="N", help="days since the seed was spread")
    parser.add_argument(
        "--whole-photo",
        action="store_true",
        help="no kit in the picture: take the whole frame as the tray (no millimetres)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--overlay", metavar="DIR", help="write STEM.overlay.jpg per photo")
    parser.add_argument("--masks", metavar="DIR", help="write STEM.classes.png per photo")
    parser.add_argument(
        "--jobs", type=int, metavar="N", help="photos measured at once; default all cores"
    )


def _add_kit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--trays", default="0-11", metavar="0-11", help="tray numbers, 0 to 95")
    parser.add_argument("--tray-size", default="540x280x60", metavar="LxWxD", help="in mm")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4")
    parser.add_argument("--out", required=True, metavar="SHEETS.pdf")
    parser.add_argument(
        "--shelf-pitch", type=float, metavar="MM", help="shelf to shelf, for the camera's page"
    )
    parser.add_argument(
        "--lens-angle", type=float, metavar="DEG", help="the camera's angle along the tray"
    )


def _add_calibrate(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "photos",
        nargs="+",
        metavar="PHOTO",
        help="photos of the calibration sheet (chequered, from trayvision kit)",
    )
    parser.add_argument("--out", required=True, metavar="CAMERA.json")


if __name__ == "__main__":
    sys.exit(main())
