-- Numbers that can only be read with a decimal comma, and those that only a decimal point fits.
SELECT {commas}, {points} FROM cell
