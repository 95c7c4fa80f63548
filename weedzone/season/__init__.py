"""The turf's year: visits, calendar, feeding, watering."""

from weedzone.season import turfcare
from weedzone.season.dates import DegreeDays, degree_days
from weedzone.season.plan import AUTUMN, SeasonPlan, season_plan

__all__ = ["AUTUMN", "DegreeDays", "SeasonPlan", "degree_days", "season_plan", "turfcare"]
