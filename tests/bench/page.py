"""Time and size of the report's pages, beside the drawing of the picture alone: python -m tests.bench.page."""

from collections.abc import Callable

from taptest.report.figures import ON_PAGE, boundary_picture, vector_picture
from tests.bench.judging import median_ms
from tests.made_pages import made_page, made_sources
from tests.made_up import made_up
from tests.unit.test_page import long_document, long_result


def main() -> None:
    """Print processor times in milliseconds, and sizes in kilobytes."""
    usual, long = made_up(), long_result()
    works: dict[str, Callable[[], bytes]] = {
        "picture for the page": lambda: vector_picture(usual, ON_PAGE),
        "report": lambda: made_page("report", usual, made_sources()),
        "report, longest texts": lambda: made_page("report", long, made_sources(long_document())),
        "customer": lambda: made_page("customer", usual, made_sources()),
    }
    for name, work in works.items():
        print(f"{name:24s}{median_ms(work, 5):8.0f} ms{len(work()) / 1000:8.0f} kB")
    print(f"{'picture alone, 3 forms':24s}{median_ms(lambda: boundary_picture(usual), 3):8.0f} ms")


if __name__ == "__main__":
    main()
