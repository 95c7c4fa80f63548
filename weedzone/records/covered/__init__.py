"""What a GPS track really covered: passes, swaths, overlap, skips."""

from weedzone.records.covered.result import Coverage, coverage

__all__ = ["Coverage", "coverage"]
