"""What the bench of a run can see, from its documents."""

from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary.measuring_channels import MeasuringChannels


def measuring_channels_of(run_documents: RunDocuments) -> MeasuringChannels:
    """What this bench can see, for the interlocks."""
    from sequencer.feasibility.measuring_channels import channels_of_bench

    assert run_documents.bench is not None
    return channels_of_bench(run_documents.bench.bench.document, run_documents.definitions)
