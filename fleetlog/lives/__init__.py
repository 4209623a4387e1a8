"""From records to lives: judged meters, vehicle spans, position events, lives, risk tables."""
