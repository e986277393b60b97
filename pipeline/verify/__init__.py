"""Does the retest prove the treatment: before and after against prediction, and the history of a site."""
