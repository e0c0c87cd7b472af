"""A kit for people who test cooking fuels by burning them: from logs to a report with error bars."""

__version__ = "0.2.0"
