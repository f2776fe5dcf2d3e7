"""Studies: experiments that prove a station or a robot. They take tables of numbers and return what those show."""
