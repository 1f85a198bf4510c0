"""The words for numbers, by the name under which the rooms above the plan have them."""

from sequencer.vocabulary.words import amp_hours as amp_hours
from sequencer.vocabulary.words import amps as amps
from sequencer.vocabulary.words import bound as bound
from sequencer.vocabulary.words import bounds as bounds
from sequencer.vocabulary.words import counted as counted
from sequencer.vocabulary.words import degrees as degrees
from sequencer.vocabulary.words import duration as duration
from sequencer.vocabulary.words import measured_amps as measured_amps
from sequencer.vocabulary.words import measured_volts as measured_volts
from sequencer.vocabulary.words import millivolts as millivolts
from sequencer.vocabulary.words import percent as percent
from sequencer.vocabulary.words import rate as rate
from sequencer.vocabulary.words import roughly as roughly
from sequencer.vocabulary.words import volts as volts
from sequencer.vocabulary.words import volts_brief as volts_brief
from sequencer.vocabulary.words import watt_hours as watt_hours
