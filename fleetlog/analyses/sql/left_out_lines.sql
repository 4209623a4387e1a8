-- Lines that name the component and yet could not enter a life, with the reason.
SELECT x.why, count(*) AS count
FROM left_out_line AS x JOIN vehicle AS v USING (vin)
WHERE x.component = $component AND ($engine_family IS NULL OR v.engine_family = $engine_family)
GROUP BY ALL
ORDER BY count DESC
