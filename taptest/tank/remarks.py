"""What was assumed of a tank because it was not given: statements for `taptest.words`."""

from taptest.statements import Key


class ShapeRemark(Key):
    """What was assumed of a tank's shape; whole sentences."""

    UPRIGHT = "shape.upright"
    USUAL_WALL = "shape.usual wall", "wall_m"
    USUAL_HEADS = "shape.usual heads", "head"
    PROPORTION_BY_LENGTH = "shape.proportion by length", "times"
    PROPORTION_BY_VOLUME = "shape.proportion by volume", "times"
    PROPORTION_BY_DIAMETER = "shape.proportion by diameter", "times"
    DIAMETER_BY_VOLUME = "shape.diameter by volume", "diameter_m"
    OTHER_VOLUME = "shape.other volume", "dimensions_m3", "stated_m3"
    WITH_CONNECTION = "shape.with connection", "noted_m", "shell_m"


class HeadName(Key):
    """Forms of a tank's heads, as adjectives."""

    ELLIPSOIDAL = "head.ellipsoidal"
    TORISPHERICAL = "head.torispherical"
    HEMISPHERICAL = "head.hemispherical"
    FLAT = "head.flat"
