"""docs/commands.md names every option of the commands it describes, and every key of the JSON."""

import argparse
import re
from importlib import import_module
from pathlib import Path

import pytest

from taptest.cli import COMMANDS
from taptest.visit.result import as_json
from tests.made_up import made_up

PAGE = (Path(__file__).parents[2] / "docs" / "commands.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## taptest (\S+)\n(.*?)(?=^## |\Z)", PAGE, flags=re.MULTILINE | re.DOTALL))


@pytest.mark.parametrize("name", SECTIONS)
def test_every_option_of_a_described_command_is_named(name: str) -> None:
    module = import_module({command: module for command, module, _ in COMMANDS}[name])
    parser = argparse.ArgumentParser()
    module.add_arguments(parser)
    options = {text for action in parser._actions for text in action.option_strings} - {"-h", "--help"}
    assert options == set(re.findall(r"(?<![\w-])--[a-z-]+", SECTIONS[name].strip().split("\n\n")[0]))


def test_every_command_is_described_once() -> None:
    described = re.findall(r"^## taptest (\S+)$", PAGE, flags=re.MULTILINE)
    assert sorted(described) == sorted(name for name, _, _ in COMMANDS)


def test_every_key_of_the_json_is_named() -> None:
    described = SECTIONS["judge"]
    for key, content in as_json(made_up()).items():
        assert f"`{key}" in described, key
        if key in ("finding", "boundary", "expected", "precharge_bar", "forecast"):
            for inner in content:
                assert f"`{inner}`" in described or f".{inner}" in described, inner
