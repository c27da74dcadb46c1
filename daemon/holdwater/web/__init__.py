"""The page: what is on hand and the season, for a browser, complete without script."""
