"""Every text of the report's pages by its key in the catalogues of `taptest.words`, and which one stands for what.

Figures and typed texts come from elsewhere. `MORE` keeps its brace: `page.typ` puts the number in.
"""

from typing import TYPE_CHECKING, Final

from taptest.statements import Key

if TYPE_CHECKING:
    from taptest.finding.records import FindingCode  # it brings numpy, for which the desk's first page would wait


class PageText(Key):
    """Texts of the page for the service file."""

    TITLE = "page.title"
    SIMULATED = "page.simulated"
    SIMULATED_NOTE = "page.simulated note"
    CUSTOMER = "page.customer"
    JOB = "page.job"
    NEXT_VISIT = "page.next visit"
    NOW = "page.now"
    NOW_STATE = "page.now state", "state"
    NOW_CHARGE = "page.now charge", "charge"
    NOW_PRESSURE = "page.now pressure", "pressure"
    NOW_TEMPERATURE = "page.now temperature", "temperature"
    TAPPED_AGAIN = "page.tapped again"
    SIGNED_TECHNICIAN = "page.signed technician"
    SIGNED_CUSTOMER = "page.signed customer"
    LOGO = "page.logo", "company"
    LOGO_ALONE = "page.logo alone"
    PHOTOGRAPHS = "page.photographs"
    PHOTOGRAPH = "page.photograph", "number"
    PHOTOGRAPH_MISSING = "page.photograph missing"
    BEFORE_AND_AFTER = "page.before and after"
    SITE = "page.site"
    TECHNICIAN = "page.technician"
    DATE = "page.date"
    TANK = "page.tank"
    NOT_GIVEN = "page.not given"
    NOT_READ = "page.not read"
    NOT_KNOWN = "page.not known"
    FINDING_AS_EXPECTED = "page.finding as expected"
    FINDING_LOW_ON_AIR = "page.finding low on air"
    FINDING_WATERLOGGED = "page.finding waterlogged"
    FINDING_MORE_AIR_THAN_EXPECTED = "page.finding more air than expected"
    FINDING_TOO_SMALL = "page.finding too small"
    FINDING_MEMBRANE_FAILED = "page.finding membrane failed"
    FINDING_CANNOT_TELL = "page.finding cannot tell"
    NOT_FINISHED = "page.not finished"
    CONFIDENCE = "page.confidence"
    CONFIDENCE_WORDS_HIGH = "page.confidence words high"
    CONFIDENCE_WORDS_FAIR = "page.confidence words fair"
    CONFIDENCE_WORDS_LOW = "page.confidence words low"
    CONFIDENCE_WORDS_CANNOT_TELL = "page.confidence words cannot tell"
    CONFIDENCE_SEEN = "page.confidence seen"
    READINGS = "page.readings"
    AS_FOUND = "page.as found"
    AS_LEFT = "page.as left"
    PRESSURE = "page.pressure"
    WATER_TEMPERATURE = "page.water temperature"
    TANK_TEMPERATURE = "page.tank temperature"
    CHARGE = "page.charge"
    STATED = "page.stated", "charge"
    GAUGE_ERROR = "page.gauge error"
    SYSTEM = "page.system"
    RELIEF = "page.relief"
    FILL = "page.fill"
    HIGHEST = "page.highest"
    HEAD = "page.head"
    VOLUME = "page.volume"
    FLUID = "page.fluid"
    BY_HAND = "page.by hand"
    BY_HAND_WORDS = "page.by hand words", "refused", "used", "reasons"
    WORK = "page.work"
    NOTES = "page.notes"
    OBSERVED = "page.observed"
    DRAIN = "page.drain"
    DRAIN_WORDS = "page.drain words", "volume", "before", "after"
    OTHERS = "page.others"
    OTHERS_WORDS = "page.others words", "tanks"
    OTHER_WORDS = "page.other words", "volume", "charge"
    LOG = "page.log"
    LOG_WORDS = "page.log words", "count", "first", "last"
    RESULTS = "page.results"
    TAPS = "page.taps"
    TAPS_WORDS = "page.taps words", "used", "rejected", "points"
    KNOWN_LEVEL = "page.known level"
    TRUTH = "page.truth"
    TRUTH_SIMULATED = "page.truth simulated", "truth"
    TRUTH_MEASURED = "page.truth measured", "truth"
    TRUTH_FOUND = "page.truth found", "depth_m"
    TRUTH_WHOLE_ALL_AIR = "page.truth whole all air"
    TRUTH_WHOLE_ALL_WATER = "page.truth whole all water"
    NO_KNOWN_LEVEL = "page.no known level"
    PICTURE_ALT = "page.picture alt"
    NEXT = "page.next"
    NEXT_AS_FOUND = "page.next as found"
    FINDING_AS_FOUND = "page.finding as found", "finding"
    CAUSES = "page.causes"
    WHY = "page.why"
    UNCHECKED = "page.unchecked"
    CAUTION = "page.caution"
    MORE = "page.more", "n"
    CUT = "page.cut"
    LETTERS = "page.letters"
    CAUTIONS_SCALDS = "page.cautions scalds"
    CAUTIONS_TAP_LIGHTLY = "page.cautions tap lightly"
    CAUTIONS_NEVER_PLUG = "page.cautions never plug"
    CAUTIONS_WEEPING_VALVE = "page.cautions weeping valve"
    CAUTIONS_NOTHING_CLOSED = "page.cautions nothing closed"
    CAUTIONS_SET_PRE_CHARGE = "page.cautions set pre charge"
    CAUTIONS_HEAVY = "page.cautions heavy"
    CAUTIONS_LICENSED = "page.cautions licensed"
    FINGERPRINT = "page.fingerprint", "files", "fingerprint"
    MADE_BY = "page.made by", "version"
    KIND_DIAPHRAGM = "page.kind diaphragm"
    KIND_BLADDER = "page.kind bladder"
    KIND_PLAIN = "page.kind plain"
    KIND_OPEN = "page.kind open"
    AXIS_HORIZONTAL = "page.axis horizontal"
    WATER_END_TOP = "page.water end top"
    WATER_END_BOTTOM = "page.water end bottom"
    SERIAL = "page.serial", "serial"
    TITLE_WITH_FINDING = "page.title with finding", "title", "finding"
    LABEL = "page.label", "label"
    AS_FOUND_COLD = "page.as found cold"
    AS_FOUND_HOT = "page.as found hot"
    SIMULATED_KEYWORD = "page.simulated keyword"
    FILES = "page.files", "count"
    TAP_COUNT = "page.tap count", "count"
    POINT_COUNT = "page.point count", "count"


class CustomerText(Key):
    """Texts of the page for the customer."""

    TITLE = "customer.title"
    INTRO = "customer.intro"
    FOUND_TITLE = "customer.found title"
    MEANS_TITLE = "customer.means title"
    HAPPENS_TITLE = "customer.happens title"
    DONE_TITLE = "customer.done title"
    LEFT_OPEN_TITLE = "customer.left open title"
    CARE_TITLE = "customer.care title"
    SURE_WORDS_HIGH = "customer.sure words high"
    SURE_WORDS_FAIR = "customer.sure words fair"
    SURE_WORDS_LOW = "customer.sure words low"
    SURE_SEEN = "customer.sure seen"
    FOUND_AS_EXPECTED = "customer.found as expected"
    FOUND_LOW_ON_AIR = "customer.found low on air"
    FOUND_WATERLOGGED = "customer.found waterlogged"
    FOUND_MORE_AIR_THAN_EXPECTED = "customer.found more air than expected"
    FOUND_TOO_SMALL = "customer.found too small"
    FOUND_MEMBRANE_FAILED = "customer.found membrane failed"
    FOUND_CANNOT_TELL = "customer.found cannot tell"
    FOUND_BEFORE_LOW_ON_AIR = "customer.found before low on air"
    FOUND_BEFORE_WATERLOGGED = "customer.found before waterlogged"
    FOUND_BEFORE_MORE_AIR_THAN_EXPECTED = "customer.found before more air than expected"
    FOUND_BROKEN = "customer.found broken"
    FOUND_SMALL_TOGETHER = "customer.found small together"
    FOUND_OPEN = "customer.found open"
    MEANS_AS_EXPECTED = "customer.means as expected"
    MEANS_LOW_ON_AIR = "customer.means low on air"
    MEANS_WATERLOGGED = "customer.means waterlogged"
    MEANS_MORE_AIR_THAN_EXPECTED = "customer.means more air than expected"
    MEANS_TOO_SMALL = "customer.means too small"
    MEANS_MEMBRANE_FAILED = "customer.means membrane failed"
    MEANS_CANNOT_TELL = "customer.means cannot tell"
    MEANS_BROKEN = "customer.means broken"
    MEANS_SMALL_TOGETHER = "customer.means small together"
    MEANS_OPEN = "customer.means open"
    MEANS_PLAIN = "customer.means plain"
    MEANS_CHARGED = "customer.means charged"
    NEXT_TANK_STAYS = "customer.next tank stays"
    NEXT_OTHER_CAUSES = "customer.next other causes"
    NEXT_CHECK_FOR_WATER = "customer.next check for water"
    NEXT_IF_DRY_PUMP_UP = "customer.next if dry pump up"
    NEXT_LOOK_AGAIN_IN_MONTHS = "customer.next look again in months"
    NEXT_CHECK_FOR_WATER_OR_REPLACE = "customer.next check for water or replace"
    NEXT_IF_DRY_PUT_THE_AIR_BACK = "customer.next if dry put the air back"
    NEXT_WATCH_THE_PRESSURE = "customer.next watch the pressure"
    NEXT_CHECK_VALVE_AND_PIPE = "customer.next check valve and pipe"
    NEXT_SET_THE_AIR_RIGHT = "customer.next set the air right"
    NEXT_CHECK_VOLUME_AND_HEAT = "customer.next check volume and heat"
    NEXT_OFFER_A_TANK = "customer.next offer a tank"
    NEXT_PROVE_BY_THE_PIN = "customer.next prove by the pin"
    NEXT_THEN_REPLACE = "customer.next then replace"
    NEXT_QUICK_CHECK_OR_TAP_AGAIN = "customer.next quick check or tap again"
    NEXT_REPLACE_NOTHING_YET = "customer.next replace nothing yet"
    NEXT_PUMP_UP = "customer.next pump up"
    NEXT_PUT_THE_AIR_BACK = "customer.next put the air back"
    NEXT_REPLACE = "customer.next replace"
    NEXT_LET_AIR_IN = "customer.next let air in"
    NEXT_CALL_IF_IT_FALLS = "customer.next call if it falls"
    NEXT_FLOAT_VALVE_AND_OVERFLOW = "customer.next float valve and overflow"
    NOT_CHECKED_MEMBRANE = "customer.not checked membrane"
    NOT_CHECKED_CHARGE = "customer.not checked charge"
    NOT_CHECKED_RELIEF = "customer.not checked relief"
    NOT_CHECKED_GAUGE = "customer.not checked gauge"
    NOT_CHECKED_OTHERS = "customer.not checked others"
    CAUTIONS_NEVER_PLUG = "customer.cautions never plug"
    CAUTIONS_SCALDS = "customer.cautions scalds"
    CAUTIONS_LEAVE_VALVES = "customer.cautions leave valves"
    CAUTIONS_SWITCH_OFF = "customer.cautions switch off"
    CAUTIONS_WRITE_DOWN = "customer.cautions write down"
    CAUTIONS_SUPPORTS = "customer.cautions supports"


UNCHANGED: Final = "–"
FINDING: "Final[dict[FindingCode, PageText]]" = {
    "as expected": PageText.FINDING_AS_EXPECTED,
    "low on air": PageText.FINDING_LOW_ON_AIR,
    "waterlogged": PageText.FINDING_WATERLOGGED,
    "more air than expected": PageText.FINDING_MORE_AIR_THAN_EXPECTED,
    "too small": PageText.FINDING_TOO_SMALL,
    "membrane failed": PageText.FINDING_MEMBRANE_FAILED,
    "cannot tell": PageText.FINDING_CANNOT_TELL,
}
FINDING_SIGN: "Final[dict[FindingCode, tuple[str, str]]]" = {
    "as expected": ("✓", "good"),
    "low on air": ("▲", "warn"),
    "more air than expected": ("▲", "warn"),
    "too small": ("▲", "warn"),
    "waterlogged": ("■", "bad"),
    "membrane failed": ("■", "bad"),
    "cannot tell": ("?", "open"),
}
"""Sign and class of a finding on pages: never told by colour alone."""
CONFIDENCE_WORDS: Final[dict[str, PageText]] = {
    "high": PageText.CONFIDENCE_WORDS_HIGH,
    "fair": PageText.CONFIDENCE_WORDS_FAIR,
    "low": PageText.CONFIDENCE_WORDS_LOW,
    "cannot tell": PageText.CONFIDENCE_WORDS_CANNOT_TELL,
}
TRUTH_WHOLE: Final[dict[str, PageText]] = {
    "all air": PageText.TRUTH_WHOLE_ALL_AIR,
    "all water": PageText.TRUTH_WHOLE_ALL_WATER,
}
CAUTIONS: Final = (
    PageText.CAUTIONS_SCALDS,
    PageText.CAUTIONS_TAP_LIGHTLY,
    PageText.CAUTIONS_NEVER_PLUG,
    PageText.CAUTIONS_WEEPING_VALVE,
    PageText.CAUTIONS_NOTHING_CLOSED,
    PageText.CAUTIONS_SET_PRE_CHARGE,
    PageText.CAUTIONS_HEAVY,
    PageText.CAUTIONS_LICENSED,
)
SURE_WORDS: Final[dict[str, CustomerText]] = {
    "high": CustomerText.SURE_WORDS_HIGH,
    "fair": CustomerText.SURE_WORDS_FAIR,
    "low": CustomerText.SURE_WORDS_LOW,
}
CUSTOMER_FOUND: "Final[dict[FindingCode, CustomerText]]" = {
    "as expected": CustomerText.FOUND_AS_EXPECTED,
    "low on air": CustomerText.FOUND_LOW_ON_AIR,
    "waterlogged": CustomerText.FOUND_WATERLOGGED,
    "more air than expected": CustomerText.FOUND_MORE_AIR_THAN_EXPECTED,
    "too small": CustomerText.FOUND_TOO_SMALL,
    "membrane failed": CustomerText.FOUND_MEMBRANE_FAILED,
    "cannot tell": CustomerText.FOUND_CANNOT_TELL,
}
CUSTOMER_FOUND_BEFORE: "Final[dict[FindingCode, CustomerText]]" = {
    "low on air": CustomerText.FOUND_BEFORE_LOW_ON_AIR,
    "waterlogged": CustomerText.FOUND_BEFORE_WATERLOGGED,
    "more air than expected": CustomerText.FOUND_BEFORE_MORE_AIR_THAN_EXPECTED,
}
CUSTOMER_MEANS: "Final[dict[FindingCode, CustomerText]]" = {
    "as expected": CustomerText.MEANS_AS_EXPECTED,
    "low on air": CustomerText.MEANS_LOW_ON_AIR,
    "waterlogged": CustomerText.MEANS_WATERLOGGED,
    "more air than expected": CustomerText.MEANS_MORE_AIR_THAN_EXPECTED,
    "too small": CustomerText.MEANS_TOO_SMALL,
    "membrane failed": CustomerText.MEANS_MEMBRANE_FAILED,
    "cannot tell": CustomerText.MEANS_CANNOT_TELL,
}
CUSTOMER_NEXT: "Final[dict[FindingCode, tuple[CustomerText, ...]]]" = {
    "as expected": (
        CustomerText.NEXT_TANK_STAYS,
        CustomerText.NEXT_OTHER_CAUSES,
    ),
    "low on air": (
        CustomerText.NEXT_CHECK_FOR_WATER,
        CustomerText.NEXT_IF_DRY_PUMP_UP,
        CustomerText.NEXT_LOOK_AGAIN_IN_MONTHS,
    ),
    "waterlogged": (
        CustomerText.NEXT_CHECK_FOR_WATER_OR_REPLACE,
        CustomerText.NEXT_IF_DRY_PUT_THE_AIR_BACK,
        CustomerText.NEXT_WATCH_THE_PRESSURE,
    ),
    "more air than expected": (
        CustomerText.NEXT_CHECK_VALVE_AND_PIPE,
        CustomerText.NEXT_SET_THE_AIR_RIGHT,
    ),
    "too small": (
        CustomerText.NEXT_CHECK_VOLUME_AND_HEAT,
        CustomerText.NEXT_OFFER_A_TANK,
    ),
    "membrane failed": (
        CustomerText.NEXT_PROVE_BY_THE_PIN,
        CustomerText.NEXT_THEN_REPLACE,
    ),
    "cannot tell": (
        CustomerText.NEXT_QUICK_CHECK_OR_TAP_AGAIN,
        CustomerText.NEXT_REPLACE_NOTHING_YET,
    ),
}
CUSTOMER_NEXT_NO_WATER: "Final[dict[FindingCode, tuple[CustomerText, ...]]]" = {
    "low on air": (
        CustomerText.NEXT_PUMP_UP,
        CustomerText.NEXT_LOOK_AGAIN_IN_MONTHS,
    ),
    "waterlogged": (
        CustomerText.NEXT_PUT_THE_AIR_BACK,
        CustomerText.NEXT_WATCH_THE_PRESSURE,
    ),
}
CUSTOMER_NEXT_BROKEN: Final = (CustomerText.NEXT_REPLACE,)
CUSTOMER_NEXT_PLAIN: Final = (
    CustomerText.NEXT_LET_AIR_IN,
    CustomerText.NEXT_WATCH_THE_PRESSURE,
)
CUSTOMER_NEXT_CHARGED: Final = (
    CustomerText.NEXT_LOOK_AGAIN_IN_MONTHS,
    CustomerText.NEXT_CALL_IF_IT_FALLS,
)
CUSTOMER_NEXT_OPEN: Final = (CustomerText.NEXT_FLOAT_VALVE_AND_OVERFLOW,)
CUSTOMER_NOT_CHECKED: Final[dict[str, CustomerText]] = {
    "membrane": CustomerText.NOT_CHECKED_MEMBRANE,
    "charge": CustomerText.NOT_CHECKED_CHARGE,
    "relief": CustomerText.NOT_CHECKED_RELIEF,
    "gauge": CustomerText.NOT_CHECKED_GAUGE,
    "others": CustomerText.NOT_CHECKED_OTHERS,
}
CUSTOMER_CAUTIONS: Final = (
    CustomerText.CAUTIONS_NEVER_PLUG,
    CustomerText.CAUTIONS_SCALDS,
    CustomerText.CAUTIONS_LEAVE_VALVES,
    CustomerText.CAUTIONS_SWITCH_OFF,
    CustomerText.CAUTIONS_WRITE_DOWN,
    CustomerText.CAUTIONS_SUPPORTS,
)
KIND: Final[dict[str, PageText]] = {
    "diaphragm": PageText.KIND_DIAPHRAGM,
    "bladder": PageText.KIND_BLADDER,
    "plain": PageText.KIND_PLAIN,
    "open": PageText.KIND_OPEN,
}
AXIS: Final[dict[str, PageText]] = {
    "horizontal": PageText.AXIS_HORIZONTAL,
}
WATER_END: Final[dict[str, PageText]] = {
    "top": PageText.WATER_END_TOP,
    "bottom": PageText.WATER_END_BOTTOM,
}
