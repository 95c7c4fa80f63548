"""What was done, as the law asks: kept in one file, checked, printed."""

from weedzone.records.recording import Record, correct, record
from weedzone.records.store import check_records, read_records

__all__ = ["Record", "check_records", "correct", "read_records", "record"]
