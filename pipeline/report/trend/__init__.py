"""The page of trends: what changed, where, how sure, what to do."""
