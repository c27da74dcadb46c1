"""From a tank's level to water moved: uses, inflows, day accounts, days above reserve. Pure: values in, values out."""
