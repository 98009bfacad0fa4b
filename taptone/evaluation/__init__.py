"""Right or wrong, against a truth: onsets and verdicts."""
