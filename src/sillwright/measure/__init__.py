"""From photos and a job to the record: the one place that calls see, solve and survey in order."""
