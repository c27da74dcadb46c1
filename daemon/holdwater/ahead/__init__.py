"""What lies ahead of a tank: by which day to haul, and whether the load fits. Pure: values and `now` in, values out."""
