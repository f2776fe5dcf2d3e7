"""Documents that a person reads: pictures of quality, the summary of a job."""
