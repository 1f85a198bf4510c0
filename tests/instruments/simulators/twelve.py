"""The twelve, by the name of their manual."""

from collections.abc import Callable
from pathlib import Path

from tests.instruments.simulators.brunde_150 import Brunde150
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.dovrin_2x import Dovrin2X
from tests.instruments.simulators.ferluk_61 import Ferluk61
from tests.instruments.simulators.gantrel_5 import Gantrel5
from tests.instruments.simulators.hoddar_t4 import HoddarT4
from tests.instruments.simulators.ipsom_e60 import IpsomE60
from tests.instruments.simulators.ostrel_p30 import OstrelP30
from tests.instruments.simulators.pelluc_8 import Pelluc8
from tests.instruments.simulators.quarnel_20 import Quarnel20
from tests.instruments.simulators.speaking import SimulatedInstrument
from tests.instruments.simulators.tavrin_1506 import Tavrin1506
from tests.instruments.simulators.wuxel_l8 import WuxelL8
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10

MANUALS = Path(__file__).parents[1] / "manuals"
TWELVE: dict[str, Callable[[Circuit], SimulatedInstrument]] = {
    "ostrel-p30": OstrelP30,
    "tavrin-1506": Tavrin1506,
    "quarnel-20": Quarnel20,
    "brunde-150": Brunde150,
    "wuxel-l8": WuxelL8,
    "ipsom-e60": IpsomE60,
    "ferluk-61": Ferluk61,
    "gantrel-5": Gantrel5,
    "hoddar-t4": HoddarT4,
    "pelluc-8": Pelluc8,
    "dovrin-2x": Dovrin2X,
    "zumbrel-m10": ZumbrelM10,
}
"""Three supplies, three loads, two meters, two loggers, one of two channels, one charger."""
