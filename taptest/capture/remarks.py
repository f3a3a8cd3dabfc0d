"""What a guided round says: statements for `taptest.words`."""

from taptest.statements import Key


class NoTap(Key):
    """Why a hit does not count as a tap, and what to do; whole sentences."""

    BOUNCED = "no tap.bounced"
    TOO_LOUD = "no tap.too loud"
    TOO_SOFT = "no tap.too soft"
    BROKE_OFF = "no tap.broke off"
    TOO_QUICK = "no tap.too quick"
    NOT_A_TAP = "no tap.not a tap"
    TALK = "no tap.talk"
    TOO_REGULAR = "no tap.too regular"
    UNLIKE_OTHERS = "no tap.unlike others"
    FAR_SOFTER = "no tap.far softer"
    INTO_THE_TONE = "no tap.into the tone"
    WHILE_QUIET = "no tap.while quiet"
    WHILE_DECIDING = "no tap.while deciding"
    TOO_EARLY = "no tap.too early"
    ONE_TOO_MANY = "no tap.one too many"


class LevelAdvice(Key):
    """How to set the microphone's level; whole sentences."""

    DOWN = "level.down", "by_db"
    UP = "level.up", "by_db"
    AS_IT_IS = "level.as it is"


class Restart(Key):
    """Why the unfinished mark starts over; whole sentences."""

    MICROPHONE_GONE = "restart.microphone gone"
    DROPOUT = "restart.dropout"
    WISHED = "restart.wished"
    IDLE = "restart.idle"


class RoundWarning(Key):
    """What to know during a round; whole sentences."""

    BEFORE = "warning.before"
    RESTED = "warning.rested", "hours"
    HEARD_AGAIN = "warning.heard again"
    MUTED = "warning.muted"
    OVERLOADED = "warning.overloaded"
    PROCESSED = "warning.processed"
    NO_ADVICE = "warning.no advice"


class Estimate(Key):
    """Where the sound seems to change so far; whole sentences."""

    CHANGE = "estimate.change", "place_m", "low_m", "high_m"
    ALL_AIR = "estimate.all air", "air_share"
    ALL_WATER = "estimate.all water", "water_share"
    UNKNOWN = "estimate.unknown"


class StageText(Key):
    """What each stage of a round asks for; whole sentences."""

    OPENING = "stage.opening"
    BROWSER = "stage.browser"
    QUIET = "stage.quiet"
    PRACTICE = "stage.practice"
    DECIDING = "stage.deciding"
    DONE = "stage.done"
    STOPPED = "stage.stopped"
    NOT_HEARD = "stage.not heard"


class StageWord(Key):
    """One word for each stage, to be read from two metres."""

    QUIET = "stage word.quiet"
    TAP = "stage word.tap"
    WAIT = "stage word.wait"
    DONE = "stage word.done"
    STOP = "stage word.stop"


class StopName(Key):
    """What kind of mark comes next; parts of a sentence."""

    REFERENCE = "stop.reference"
    RECHECK = "stop.recheck"
    POINT = "stop.point"
    FINER = "stop.finer"
    END = "stop.end"


class Told(Key):
    """What happens in a round, line by line."""

    KEYS = "told.keys", "keys"
    NO_SUCH_KEY = "told.no such key", "keys"
    TONES_ON = "told.tones on"
    TONES_OFF = "told.tones off"
    ROOM_QUIET = "told.room quiet", "noise_db"
    ROOM_NOISY = "told.room noisy", "noise_db"
    ROOM_LOUD = "told.room loud", "noise_db"
    HEARD = "told.heard", "headroom_db"
    HEARD_WITH_ADVICE = "told.heard with advice", "headroom_db", "advice"
    LEVEL_SET = "told.level set"
    LEVEL_SET_WITH_ADVICE = "told.level set with advice", "advice"
    NEXT = "told.next", "number", "of", "stop", "depth_m"
    BELOW_TOP = "told.below top", "depth_m", "stop"
    TAP_COUNTS = "told.tap counts", "number", "of"
    MARK_DONE = "told.mark done"
    MARK_SKIPPED = "told.mark skipped"
    MARK_AGAIN = "told.mark again", "depth_m"
    MARK_ADDED = "told.mark added", "depth_m"
    LISTENING = "told.listening", "device", "rate"
    DROPOUTS = "told.dropouts", "count"


class KeyMeaning(Key):
    """What each key of the keyboard does; parts of a sentence."""

    REDO = "key.redo"
    SKIP = "key.skip"
    TONES = "key.tones"
    STOP = "key.stop"


class Talk(Key):
    """What is asked and told once a round is over; whole sentences."""

    FINDING = "talk.finding", "headline", "sentence"
    SURE = "talk.sure", "confidence"
    ASK_PRESSURE = "talk.ask pressure", "unit"
    ASK_PRECHARGE = "talk.ask pre-charge", "unit"
    ASK_TEMPERATURE = "talk.ask temperature", "unit"
    ASK_CHECK = "talk.ask check", "check", "choices"
    NOT_AN_ANSWER = "talk.not an answer", "choices"
    OFFER_ROUND = "talk.offer round", "minutes"
    OFFER_ONSET = "talk.offer onset", "minutes"
    OFFER_MARK = "talk.offer mark", "depth_m"
    ASK_WORK = "talk.ask work"
    ASK_LEFT_CHARGE = "talk.ask left charge", "unit"
    ASK_LEFT_PRESSURE = "talk.ask left pressure", "unit"
    OFFER_RETAP = "talk.offer re-tap", "marks"
    BEFORE = "talk.before", "sentence"
    AFTER = "talk.after", "sentence"
    STAYS_OPEN = "talk.stays open", "visit"
