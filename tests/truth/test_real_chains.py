"""Real taps through chains that falsify them are remarked on, clean ones are not.

Sources: finger taps by others (the collection's README names authors and licence); the chains are those of
`tests.bench.processed`, which names the papers and standards behind them.
"""

import pytest

from tests.bench.foreign_sounds import load
from tests.bench.processed import CHAINS, remarked
from tests.real_data import real_data

TRAINS = ("Knuckle-test", "Nail_tap-test", "Nail_tip_tap-test", "Pad-test")


@pytest.mark.parametrize("kind", CHAINS)
def test_what_was_done_to_real_taps_is_said_and_nothing_of_clean_ones(kind: str) -> None:
    said = [remarked([load(real_data("tap_trains", f"{name}.flac"))], CHAINS[kind]) for name in TRAINS]
    if kind == "clean":
        assert said == [[]] * len(TRAINS)
    else:
        # The pad of a finger makes next to nothing above the telephone's band that could be missing.
        assert all(said[:-1] if kind == "call" else said), said
