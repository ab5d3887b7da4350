"""From a reading or a place to a distribution of rates: the prior of a trial."""
