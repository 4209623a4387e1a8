-- Pairs of this vehicle's orders that may tell one job twice, for a person to answer.
SELECT first_ro, second_ro, score, why
FROM order_link
WHERE vin = $vin AND state = 'ask'
ORDER BY first_ro DESC, second_ro
