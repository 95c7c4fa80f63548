"""What was done, as the law asks: kept in one file, checked, printed."""

from weedzone.records.recording import Record, correct, read_records, record

__all__ = ["Record", "correct", "read_records", "record"]
