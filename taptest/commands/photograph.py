"""`taptest photograph`: photographs that stay with a visit and go on its report."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Add a photograph to a visit, for the report's second page, or remove one.
"""
EXAMPLES = """\
JPEG, PNG and WebP pictures are taken. They are stored upright, 1600 pixels at most, without the place and the camera
that the file names. The report shows six.

examples:
  taptest photograph visits/cellar plate.jpg --caption "Plate of the tank"
  taptest photograph visits/cellar --remove 1
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder of the visit")
    parser.add_argument("file", type=Path, nargs="?", metavar="FILE", help="the picture")
    parser.add_argument("--caption", default="", metavar="TEXT", help="what it shows")
    parser.add_argument("--remove", type=int, metavar="N", help="remove the Nth photograph")


def run(arguments: argparse.Namespace) -> int:
    """Add or remove, and list what the visit has."""
    from taptest.disk import storage_errors
    from taptest.errors import VisitError
    from taptest.visit.files import read_visit, save_document
    from taptest.visit.photographs import add_photograph, remove_unnamed, without_photograph

    visit = read_visit(arguments.visit)
    if arguments.file is not None and arguments.remove is not None:
        raise VisitError("Give either a picture to add or --remove, not both.")
    document = visit.document
    if arguments.remove is not None:
        document = without_photograph(document, arguments.remove)
    elif arguments.file is not None:
        with storage_errors("read", arguments.file):
            content = arguments.file.read_bytes()
        document = add_photograph(visit.folder, document, content, str(arguments.file), arguments.caption)
    if document != visit.document:
        save_document(visit.folder, document)
        remove_unnamed(visit.folder, visit.document, document)
    for number, each in enumerate(document.photographs, start=1):
        print(f"{number}  {each.file}  {each.caption}".rstrip())
    if not document.photographs:
        print("The visit has no photographs.")
    return 0
