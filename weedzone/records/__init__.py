"""What was done, as the law asks: kept in one file, checked, printed."""

from weedzone.records.recording import Record, check_records, correct, read_records, record

__all__ = ["Record", "check_records", "correct", "read_records", "record"]
