"""Plain data of a station (shot, reading, record) and the decision rules on it."""
