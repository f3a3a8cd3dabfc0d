"""Every text of the report's pages, in one place and ready for translation.

Figures and typed texts come from elsewhere. Written in US words; `taptest.report.wording` puts them into those of the
UK and Ireland. A name in braces is filled in by `taptest.report.page`.
"""

from typing import Final

from taptest.finding.records import FindingCode

# --- the page for the service file ---

TITLE: Final = "Expansion tank: tap report"
SIMULATED: Final = "SIMULATED DATA"
SIMULATED_NOTE: Final = "This visit is simulated: no tank was tapped, and the page shows only what a report looks like."

SITE: Final = "Site"
CUSTOMER: Final = "Customer"
JOB: Final = "Job"
NEXT_VISIT: Final = "Next visit"
TECHNICIAN: Final = "Technician"
DATE: Final = "Date"
TANK: Final = "Tank"
NOT_GIVEN: Final = "not given"
NOT_READ: Final = "not read"
NOT_KNOWN: Final = "not known"
UNCHANGED: Final = "–"

FINDING: Final[dict[FindingCode, str]] = {
    "as expected": "As expected",
    "low on air": "Low on air",
    "waterlogged": "Waterlogged",
    "more air than expected": "More air than expected",
    "too small": "Too small",
    "membrane failed": "Membrane failed",
    "cannot tell": "Cannot tell",
}
NOT_FINISHED: Final = "Round not finished"
FINDING_SIGN: Final[dict[FindingCode, tuple[str, str]]] = {
    "as expected": ("✓", "good"),
    "low on air": ("▲", "warn"),
    "more air than expected": ("▲", "warn"),
    "too small": ("▲", "warn"),
    "waterlogged": ("■", "bad"),
    "membrane failed": ("■", "bad"),
    "cannot tell": ("?", "open"),
}
"""Sign and class of a finding on pages: never told by colour alone."""
CONFIDENCE: Final = "Confidence"
CONFIDENCE_WORDS: Final[dict[str, str]] = {
    "high": "high. Taps and readings fit this finding, and hardly any other.",
    "fair": "fair. Taps and readings fit this finding best; another one remains possible.",
    "low": "low. Take it as a lead, and make the next check before acting on it.",
    "cannot tell": "none. The taps do not carry a finding; the next check does more.",
}
CONFIDENCE_SEEN: Final = "high. Water at the air valve shows it, whatever the taps say."

READINGS: Final = "Readings"
AS_FOUND: Final = "as found"
AS_LEFT: Final = "as left"
PRESSURE: Final = "Pressure"
WATER_TEMPERATURE: Final = "Water"
TANK_TEMPERATURE: Final = "Tank shell"
STATE: Final = "State"
CHARGE: Final = "Pre-charge"
STATED: Final = "{charge}, as stated"
GAUGE_ERROR: Final = "Gauge good to"
SYSTEM: Final = "System"
RELIEF: Final = "Relief valve"
FILL: Final = "Fill valve"
HIGHEST: Final = "Hottest water"
HEAD: Final = "Height above tank"
VOLUME: Final = "System holds"
FLUID: Final = "Fluid"
BY_HAND: Final = "Decided by hand"
BY_HAND_WORDS: Final = "{refused} refused, {used} used: {reasons}"
WORK: Final = "Work done"
NOTES: Final = "Notes"
OBSERVED: Final = "Observed"
DRAIN: Final = "Measured drain"
DRAIN_WORDS: Final = "{volume} drawn, {before} before, {after} after"
OTHERS: Final = "Other tanks"
OTHERS_WORDS: Final = "{tanks}; as stated, not tapped"
OTHER_WORDS: Final = "{volume}, pre-charge {charge}"
LOG: Final = "Pressure log"
LOG_WORDS: Final = "{count} readings, {first} to {last}"

RESULTS: Final = "By the taps"
TAPS: Final = "Taps"
TAPS_WORDS: Final = "{used} used, {rejected} rejected, {points}"
ONE: Final = {"tap": "1 tap", "point": "1 point"}
MANY: Final = {"tap": "{count} taps", "point": "{count} points"}
KNOWN_LEVEL: Final = "Known level"
TRUTH: Final = "Truth"
TRUTH_SIMULATED: Final = "In this simulated visit {truth}."
TRUTH_MEASURED: Final = "Measured by other means: {truth}."
TRUTH_FOUND: Final = "the water really ends {position} below the top"
TRUTH_WHOLE: Final = {
    "all air": "air lies behind all points of the line",
    "all water": "water lies behind all points of the line",
}
NO_KNOWN_LEVEL: Final = "This laptop, microphone and striker were not tried on a vessel of known level."

PICTURE_ALT: Final = (
    "The tank in section with the points of the tap line, the boundary and the expected band; beside it the spectra of "
    "the taps and the probability of water at each point."
)

NEXT: Final = "Next checks, the first one first"
NEXT_AS_FOUND: Final = "Checks for the tank as it was found; what was done stands below"
FINDING_AS_FOUND: Final = "As found: {finding}"
CAUSES: Final = "Possible causes if the relief valve opens, likeliest first"
WHY: Final = "What the finding rests on"
UNCHECKED: Final = "NOT checked, and assumed"
CAUTION: Final = "Cautions"
MORE: Final = "{n} more in the visit"
CUT: Final = "Texts that end in … are cut short here; the visit holds them whole."
LETTERS: Final = "Letters that no font of this computer shows stand as “?”; the visit holds the texts as typed."

CAUTIONS: Final = (
    "Hot water under pressure scalds. Cool down, and lock out power and fuel before opening anything. Never drain hot.",
    "Tap lightly. Stop at rust, bulges or seepage: the shell may be thin.",
    "Never plug, valve off, reset or reduce a relief valve. Its discharge runs full size to a safe place.",
    "A relief valve that weeps, or does not reseat after lifting, is replaced even where another cause exists.",
    "Nothing may be closed between boiler and tank in service.",
    "Set a pre-charge only with the tank isolated and its water side drained to zero. Air or nitrogen only.",
    "A waterlogged tank is heavy: support it before loosening it.",
    "Licensed work and local code apply. This report supports a decision; it does not replace a pressure check.",
)

FINGERPRINT: Final = "Recordings: {count}, SHA-256 {fingerprint}"
FILES: Final = ("1 file", "{n} files")
MADE_BY: Final = "taptest {version}"

# --- the page for the customer ---

CUSTOMER_TITLE: Final = "Your expansion tank"
CUSTOMER_INTRO: Final = (
    "Water takes more room when it gets hot. The expansion tank gives it that room by a cushion of air. Without the "
    "cushion the pressure climbs, and the relief valve lets water out to protect your heating. We tapped along the "
    "tank, recorded the sound and compared it with what the readings lead one to expect."
)
FOUND_TITLE: Final = "What we found"
MEANS_TITLE: Final = "What it means"
HAPPENS_TITLE: Final = "What happens next"
DONE_TITLE: Final = "What was done"
LEFT_OPEN_TITLE: Final = "What we did NOT check"
CARE_TITLE: Final = "For your safety"
SURE_WORDS: Final[dict[str, str]] = {
    "high": "We are sure of this as far as sound and readings go.",
    "fair": "Sound and readings fit this best; something else remains possible.",
    "low": "This is no more than a lead, and the next check will confirm it or not.",
    "cannot tell": "",
}
SURE_SEEN: Final = "This was seen at the air valve, so it does not hang on the sound."

CUSTOMER_FOUND: Final[dict[FindingCode, str]] = {
    "as expected": "By sound and readings, the expansion tank works as it should.",
    "low on air": "The expansion tank has too little air left in it.",
    "waterlogged": "The expansion tank is full of water: hardly any air is left in it.",
    "more air than expected": "The expansion tank holds more air and less water than it should.",
    "too small": "The expansion tank is in order, but too small for your heating.",
    "membrane failed": "The expansion tank is most likely broken inside.",
    "cannot tell": "This time the sound did not tell how the expansion tank is doing.",
}
CUSTOMER_FOUND_BEFORE: Final[dict[FindingCode, str]] = {
    "low on air": "The expansion tank had too little air left in it.",
    "waterlogged": "The expansion tank was full of water: hardly any air was left in it.",
    "more air than expected": "The expansion tank held more air and less water than it should.",
}
CUSTOMER_FOUND_BROKEN: Final = "The expansion tank is broken inside: water comes out where there should be air."
CUSTOMER_FOUND_SMALL_TOGETHER: Final = (
    "The expansion tank that was tapped is in order, but all the tanks together are too small for your heating."
)
CUSTOMER_FOUND_OPEN: Final = "Your heating has an open tank, which has no air cushion: this test does not apply to it."
CUSTOMER_MEANS: Final[dict[FindingCode, str]] = {
    "as expected": (
        "If the relief valve drips, the tank is probably not the reason. Other causes are then looked at, one by one."
    ),
    "low on air": (
        "The cushion has become too small. When the heating runs, the pressure climbs further than it should, and the "
        "relief valve may drip. Often the air can be put back. If it does not stay, the tank has to be replaced."
    ),
    "waterlogged": (
        "The water has no room left when it gets hot. The pressure climbs fast, and the relief valve opens. Either the "
        "air can be put back, or the tank has failed and has to be replaced. The next check shows which."
    ),
    "more air than expected": (
        "Either too much air was pumped in, or a closed valve or a blocked pipe keeps the water out. In both cases the "
        "tank takes up too little water, and the pressure climbs further than it should."
    ),
    "too small": (
        "When everything is hot, the water needs more room than this tank gives, and the relief valve may open. A "
        "larger tank, or a second one, solves that. Before that, the figures of your heating are checked once more."
    ),
    "membrane failed": (
        "A rubber membrane keeps air and water apart in this tank, and it seems to have given way. It cannot be "
        "mended. One short check settles it; then the tank is replaced."
    ),
    "cannot tell": (
        "That happens, for example where it is noisy, or where a tank gives little difference in sound. It does not "
        "mean that something is wrong, and it does not mean that all is well. Another check will tell."
    ),
}
CUSTOMER_MEANS_BROKEN: Final = (
    "A rubber membrane keeps air and water apart in this tank, and it has given way. It cannot be mended: the tank has "
    "to be replaced."
)
CUSTOMER_MEANS_SMALL_TOGETHER: Final = (
    "When everything is hot, the water needs more room than these tanks give together, and the relief valve may open. "
    "A larger tank, or one more, solves that. Before that, the figures of your heating and the air in the other tanks "
    "are checked: we took that air to be as stated."
)
CUSTOMER_MEANS_OPEN: Final = (
    "An open tank takes up the growing water freely. Its float valve and its overflow show whether it works."
)
CUSTOMER_MEANS_PLAIN: Final = (
    "In a plain steel tank the water slowly takes up the air: that is its ordinary fault. The water has too little "
    "room left when it gets hot, the pressure climbs, and the relief valve may open. The air can be put back."
)
CUSTOMER_MEANS_CHARGED: Final = (
    "The cushion had become too small: when the heating ran, the pressure climbed further than it should, and the "
    "relief valve could open. The air has been put back. If it does not stay, the tank has to be replaced."
)
CUSTOMER_NEXT: Final[dict[FindingCode, tuple[str, ...]]] = {
    "as expected": (
        "The tank stays as it is.",
        "If the relief valve drips, the other causes are checked next.",
    ),
    "low on air": (
        "A technician checks whether water has reached the air side.",
        "If not: with the heating cold and off, the tank is shut off, drained and pumped up, and then tapped again.",
        "Some months later the pressure is looked at again, to see whether the air has stayed.",
    ),
    "waterlogged": (
        "A technician checks whether water has reached the air side. If so, the tank is replaced.",
        "If not: with the heating cold and off, the tank is drained and its air put back, and it is tapped again.",
        "Until then, watch the pressure, and call us if it climbs toward the red mark.",
    ),
    "more air than expected": (
        "A technician checks that the valve and the pipe before the tank are open.",
        "With the heating cold and off, the tank is shut off and drained, and its air is measured and set right.",
    ),
    "too small": (
        "The volume of your heating and its highest temperature are checked.",
        "We work out which tank is needed and make you an offer.",
    ),
    "membrane failed": (
        "With the system cold, a technician presses the pin of the air valve for an instant: water there is the proof.",
        "Then the tank is replaced, with the heating cold and off.",
    ),
    "cannot tell": (
        "The technician makes the next check that is quick and sure, or taps again when it is quiet.",
        "Until then nothing is replaced because of this test.",
    ),
}
CUSTOMER_NEXT_NO_WATER: Final[dict[FindingCode, tuple[str, ...]]] = {
    "low on air": (
        "With the heating cold and off, the tank is shut off, drained and pumped up, and then tapped again.",
        "Some months later the pressure is looked at again, to see whether the air has stayed.",
    ),
    "waterlogged": (
        "With the heating cold and off, the tank is drained and its air put back, and it is tapped again.",
        "Until then, watch the pressure, and call us if it climbs toward the red mark.",
    ),
}
CUSTOMER_NEXT_BROKEN: Final = ("The tank is replaced, with the heating cold and off.",)
CUSTOMER_NEXT_PLAIN: Final = (
    "With the heating cold and off, the tank is shut off and drained while air comes in, and then tapped again.",
    "Until then, watch the pressure, and call us if it climbs toward the red mark.",
)
CUSTOMER_NEXT_CHARGED: Final = (
    "Some months later the pressure is looked at again, to see whether the air has stayed.",
    "If the pressure falls, or the relief valve drips again before that, call us.",
)
CUSTOMER_NEXT_OPEN: Final = ("The technician looks at the float valve and at the overflow of the open tank.",)
CUSTOMER_NOT_CHECKED: Final = {
    "membrane": "Whether the rubber inside the tank is whole.",
    "charge": "How much air is in the tank, by a gauge: that needs the tank shut off and drained.",
    "relief": "Whether the relief valve opens and closes as it should.",
    "gauge": "Whether the pressure gauge reads true.",
    "others": "Whether the other expansion tanks on your heating have their air: only this one was tapped.",
}
CUSTOMER_CAUTIONS: Final = (
    "A dripping relief valve protects you. Never plug it, shut it off or adjust it, and keep the end of its pipe free.",
    "What comes out of it is hot and can scald. Keep hands and children away.",
    "Leave the valves at boiler and tank as they are. Do not pump up, loosen or drain the tank yourself.",
    "If the pressure climbs toward the red mark, or water keeps running, switch the heating off and call us.",
    "Write down when you add water, and the pressure before and after: that helps to find the cause.",
    "This test listens from outside. It helps us to decide; it does not replace a pressure check.",
)

# --- the tank in words ---

KIND: Final = {
    "diaphragm": "diaphragm tank",
    "bladder": "bladder tank",
    "plain": "plain steel tank",
    "open": "open tank",
}
AXIS: Final = {"vertical": "", "horizontal": "lying"}
WATER_END: Final = {"top": "water on top", "bottom": "water below"}
SERIAL: Final = "no.\u00a0{serial}"
