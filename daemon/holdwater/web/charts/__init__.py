"""Pictures as SVG, drawn on the server: a tank as its true section, a season as lanes."""
