"""The tables of `taptest.finding.cause_table` as docs/causes.md prints them; to print them again:

python -m tests.cause_tables
"""

from pathlib import Path

from taptest.finding.cause_table import EVIDENCE, PRIORS, TANK, TANK_STATES, USUAL_TANK
from taptest.quantities import METRIC
from taptest.statements import Statement
from taptest.words.tell import tell

PAGE = Path(__file__).parents[1] / "docs" / "causes.md"
BEGIN = "| cause | before anything is known |"


def table_markdown() -> str:
    """All tables as Markdown, as docs/causes.md prints them."""
    lines = ["| cause | before anything is known |", "|---|---|"]
    lines += [f"| {cause} | {share:.2f} |" for cause, share in PRIORS.items()]
    lines += ["", "### the tank itself", "", "| cause | " + " | ".join(TANK_STATES) + " |"]
    lines += ["|---" * (len(TANK_STATES) + 1) + "|"]
    lines += [_row(cause, row) for cause, row in TANK.items()]
    lines.append(_row("every other cause", USUAL_TANK))
    for e in EVIDENCE:
        risk = f", danger counted as {e.risk_minutes:g} more" if e.risk_minutes else ""
        lines += ["", f"### {e.name} ({e.minutes:g} min{risk})", "", tell(Statement(e.check), METRIC), ""]
        lines += ["| cause | " + " | ".join(e.answers) + " |", "|---" * (len(e.answers) + 1) + "|"]
        lines += [_row(cause, row) for cause, row in e.under.items()]
        lines.append(_row("every other cause", e.usual))
    return "\n".join(lines) + "\n"


def _row(cause: str, row: tuple[float, ...]) -> str:
    return f"| {cause} | " + " | ".join(f"{p:.2f}" for p in row) + " |"


if __name__ == "__main__":
    page = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(page[: page.index(BEGIN)] + table_markdown(), encoding="utf-8")
