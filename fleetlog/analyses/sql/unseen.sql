-- How long the running vehicles go unseen after their last reading, up to the day of which the
-- records know: by then ninety-nine of a hundred were seen last, since one slip of the pen may lie
-- in the future. Growth: linear in vehicles and orders.
WITH running AS (
    SELECT s.vin, coalesce(v.unit_no, s.vin) AS name, s.entry_on, s.exit_on,
           quantile_disc(s.exit_on, 0.99) OVER () AS known_to
    FROM vehicle_span AS s JOIN vehicle AS v USING (vin)
    WHERE s.exit_known_from = 'last reading'
      AND ($engine_family IS NULL OR s.engine_family = $engine_family)
), failed_on AS (
    SELECT DISTINCT o.vin, o.opened_on
    FROM repair_order AS o SEMI JOIN (SELECT ro_id FROM repair_line WHERE reason = 'failed') USING (ro_id)
), unseen AS (
    SELECT r.name, greatest(0, r.known_to - r.exit_on) AS unseen,
           greatest(0, r.known_to - r.entry_on) AS days, f.vin IS NOT NULL AS at_failure
    FROM running AS r LEFT JOIN failed_on AS f ON f.vin = r.vin AND f.opened_on = r.exit_on
)
SELECT count(*) AS vehicles,
       count(*) FILTER (unseen > $silent_days) AS silent,
       count(*) FILTER (unseen > $silent_days AND at_failure) AS silent_since_failure,
       coalesce(sum(unseen) / nullif(sum(days), 0), 0)::DOUBLE AS share,
       coalesce((arg_max(name, unseen, 5) FILTER (unseen > $silent_days)), []) AS longest
FROM unseen
