"""Drift against the accepted state: what the station looks like, chart by chart, and whether it still finds defects."""
