"""Prices to priced lines, and how sure they are."""

from weedzone.kit import Prices, read_prices
from weedzone.quotes.quoting import Quote, quote
from weedzone.quotes.spread import Doubt, doubt

__all__ = ["Doubt", "Prices", "Quote", "doubt", "quote", "read_prices"]
