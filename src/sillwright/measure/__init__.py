"""From photos and a job to the record: the one place that calls see, solve and survey in order."""

from sillwright.measure.jobs import Progress, measure_job

__all__ = ["Progress", "measure_job"]
