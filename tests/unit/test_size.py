"""`taptest size`: its worked examples, its JSON, both unit systems, and what it refuses.

The figures rest on `taptest.water.sizing`, which tests/truth/test_sizing_examples.py holds to published examples; the
handbook example below (3000 gal: 578 and 344 gal) is a value from memory.
"""

import json
import re
import shlex
from pathlib import Path

import pytest

from taptest.cli import main

PAGE = (Path(__file__).parents[2] / "docs" / "commands.md").read_text(encoding="utf-8")
CONSOLE = re.findall(r"^```console\n\$ (taptest size .*?)\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
HOUSE = ["size", "--system-volume", "190 l", "--hot", "80 C", "--relief", "3 bar", "--static-head", "7 m"]


@pytest.mark.parametrize(("command", "printed"), CONSOLE, ids=["metric", "us"])
def test_the_page_prints_what_the_command_prints(
    command: str, printed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(shlex.split(command)[1:]) == 0
    assert capsys.readouterr().out == printed


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(list(arguments)) == 0
    return capsys.readouterr().out


def test_the_handbook_example(capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(
        run(
            capsys, "size", "--system-volume", "3000 gal", "--hot", "220 F", "--cold", "40 F", "--relief", "30 psi",
            "--fill", "10 psi", "--highest", "25 psi", "--method", "closed", "--method", "diaphragm", "--json", "-",
        )
    )  # fmt: skip
    gallons = {each["method"]: each["volume_l"]["likely"] / 3.785411784 for each in told["methods"]}
    assert gallons == {"closed": pytest.approx(578, rel=0.005), "diaphragm": pytest.approx(344, rel=0.005)}


def test_both_unit_systems_tell_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    metric, us = (run(capsys, *HOUSE, "--units", name) for name in ("metric", "us"))
    assert "190.0 l, as entered" in metric
    assert "50.19 gal, as entered" in us
    one, other = (float(re.search(r"Least tank volume: ([\d.]+)", text)[1]) for text in (metric, us))  # type: ignore[index]
    assert one == pytest.approx(other * 3.785411784, rel=0.01)
    assert run(capsys, *HOUSE) == metric


def test_json_and_text_hold_the_same_choice(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    sizes = tmp_path / "sizes.txt"
    sizes.write_text("# what the store has\n8 l\n\n9 l of 18 l  # hanging\n25 l\n", encoding="utf-8")
    text = run(capsys, *HOUSE, "--sizes", str(sizes), "--json", str(tmp_path / "out.json"))
    (method,) = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))["methods"]
    assert method["choices"]
    for choice in method["choices"]:
        for line in choice["working"]:
            assert line in text
        hot = choice["hot_pressure_bar"]
        assert method["fill_bar"] < hot["low"] <= hot["high"] <= method["highest_bar"]
        assert choice["volume_l"] == pytest.approx(sum(tank["volume_l"] for tank in choice["tanks"]))
        assert choice["volume_l"] >= method["volume_l"]["high"]


def test_a_list_that_does_not_serve_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert "None of these sizes is enough" in run(capsys, *HOUSE, "--size", "1 l")
    assert "None of these sizes" not in run(capsys, *HOUSE)


def test_glycol_and_altitude_ask_for_more(capsys: pytest.CaptureFixture[str]) -> None:
    def volume(*more: str) -> float:
        told = json.loads(run(capsys, *HOUSE, *more, "--json", "-"))
        return float(told["methods"][0]["volume_l"]["likely"])

    assert volume("--fluid", "propylene glycol 30 %") > 1.3 * volume()
    assert (
        volume("--altitude", "2000 m") < volume()
    )  # the air is thinner, so the same gauge pressures lie further apart


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("190 l", "190"), ["--system-volume", "'190'", "unit"]),
        (("190 l", "190 bar"), ["--system-volume", "190 bar"]),
        (("80 C", "5 C"), ["hot temperature", "not above the cold"]),
        (("3 bar", "1 bar"), ["fill pressure", "relief setting"]),
        (("7 m", "7"), ["--static-head", "'7'", "8 m"]),
        (("7 m", "-3 m"), ["--static-head", "'-3 m'", '"0 m"']),
    ],
)
def test_a_refusal_names_option_value_and_cure(
    change: tuple[str, str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    refused([change[1] if word == change[0] else word for word in HOUSE], words, capsys)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--output", "24 kW"], ["--system-volume", "the one or the others"]),
        (["--size", "18"], ["--size", "'18'"]),
        (["--size", "20 l of 18 l"], ["18", "20", "at most"]),
        (["--sizes", "nowhere.txt"], ["nowhere.txt", "does not exist"]),
        (["--size", "18 l", "--most", "9"], ["between 1 and 6"]),
        (["--fluid", "beer"], ["beer"]),
        (["--altitude", "90000 m"], ["altitude"]),
    ],
)
def test_what_does_not_go_together_is_refused(
    more: list[str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    refused([*HOUSE, *more], words, capsys)


def test_what_is_missing_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    refused(["size", "--hot", "80 C", "--relief", "3 bar", "--fill", "1 bar"], ["--system-volume", "--emitter"], capsys)
    refused(HOUSE[:-2], ["static head", "height"], capsys)


def refused(arguments: list[str], words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("taptest: ")
    for word in words:
        assert word in err
