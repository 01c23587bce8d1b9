"""How long components last: censored lives in, frozen results with a status out."""
