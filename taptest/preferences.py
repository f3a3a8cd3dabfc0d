"""What was chosen once on this computer: microphone, wording, paper, the company on the report.

It lies in the user's data folder of the platform, or in the folder that the environment variable TAPTEST_HOME names.
"""

import os
from pathlib import Path
from typing import Literal

from taptest.disk import make_folder, write_text

FOLDER_VARIABLE = "TAPTEST_HOME"
Choice = Literal["microphone", "wording", "paper", "company"]
"""What is chosen once; each lies in a file of its own, named so."""


def data_folder() -> Path:
    """Return the folder, which need not exist yet."""
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("taptest", appauthor=False)


def remembered(choice: Choice) -> str | None:
    """Return what was chosen last, or None."""
    try:
        return _file_of(choice).read_text(encoding="utf-8").strip() or None
    except (OSError, UnicodeDecodeError):
        return None  # forgetting costs one choice, and is no reason to refuse the rest


def remember(choice: Choice, text: str) -> None:
    """Keep what was chosen. Raises `StorageError`."""
    make_folder(data_folder())
    write_text(_file_of(choice), text + "\n")


def _file_of(choice: Choice) -> Path:
    return data_folder() / f"{choice}.txt"


def remembered_microphone() -> str | None:
    """Return the name of the microphone chosen last, or None."""
    return remembered("microphone")


def remember_microphone(name: str) -> None:
    """Keep the name of the chosen microphone. Raises `StorageError`."""
    remember("microphone", name)
