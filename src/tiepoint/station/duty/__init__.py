"""The station in service: shots in, verdicts out, in time and with nothing lost."""
