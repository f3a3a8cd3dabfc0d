"""Whatever is typed, the page stays one page and says what it must."""

from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.report import figures, page, page_text
from taptest.report.choices import Paper
from taptest.report.page import Sources
from taptest.statements import Said
from taptest.visit.result import VisitResult
from taptest.words.tell import tell
from tests.made_pages import made_document, made_page, words_of
from tests.made_up import made_up
from tests.samples import part

pytestmark = pytest.mark.sampled

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="300" height="220"><rect width="300" height="220"/></svg>'
ANY_TEXT = st.one_of(
    st.text(max_size=3000),
    st.text(alphabet='#$*_`<>@\\/[]{}"= \n\t', max_size=300),
    st.text(alphabet="مرحبا膨張🔧é\u0301\u200d\u202e\ud800\ue000", max_size=120),
)
FORMS = st.sampled_from(["report", "customer"])


def no_picture(result: VisitResult, sheet: figures.Sheet, wording: str) -> bytes:
    return SVG


@settings(
    max_examples=part(15), deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(text=ANY_TEXT, other=ANY_TEXT, form=FORMS, paper=st.sampled_from(["a4", "letter"]))
def test_any_text_gives_one_page_with_all_that_must_be_said(
    monkeypatch: pytest.MonkeyPatch, text: str, other: str, form: str, paper: Paper
) -> None:
    monkeypatch.setattr(page, "vector_picture", no_picture)
    document = made_document(
        visit={"site": text, "technician": other},
        tank={"name": other, "serial": text, "volume": text},
        system={"relief": text},
        readings={"notes": text, "pressure": other},
        as_left={"work": other},
        observations={text: other},
    )
    sources = Sources(document, "0" * 64, datetime(2025, 1, 1, tzinfo=UTC), paper=paper)
    result = made_up()
    said = words_of(made_page(form, result, sources))
    must: tuple[Said, ...] = (
        page_text.CUSTOMER_CAUTIONS if form == "customer" else (*page_text.CAUTIONS, *result.judgement.not_checked)
    )
    for sentence in must:
        assert tell(sentence, result.units) in said
