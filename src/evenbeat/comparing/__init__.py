"""Two records become one: the difference of two oscillators, or one oscillator against a better reference."""
