"""The one picture of a site: what is fitted and who says so, its samples, whether the treatment works, what to do."""
