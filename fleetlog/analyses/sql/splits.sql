-- By which position fields the lives of a component can be told apart, and whether it has
-- more than one part maker, generation or depot among the vehicles asked about.
WITH place AS (
    SELECT count(DISTINCT bank) AS bank, count(DISTINCT side) AS side,
           count(DISTINCT cylinder) AS cylinder
    FROM component_position
    WHERE component = $component AND ($engine_family IS NULL OR engine_family = $engine_family)
), lived AS (
    SELECT count(DISTINCT coalesce(part_maker, '')) AS part_maker,
           count(DISTINCT coalesce(part_lot, '')) AS part_lot,
           count(DISTINCT generation) AS generation
    FROM life JOIN vehicle_span AS s USING (vin)
    WHERE component = $component AND ($engine_family IS NULL OR s.engine_family = $engine_family)
), fleet AS (
    SELECT count(DISTINCT s.engine_family) AS engine_family, count(DISTINCT v.depot) AS depot
    FROM vehicle_span AS s JOIN vehicle AS v USING (vin)
    WHERE $engine_family IS NULL OR s.engine_family = $engine_family
)
SELECT fleet.engine_family, place.bank, place.side, place.cylinder, lived.part_maker, lived.part_lot,
       lived.generation, fleet.depot
FROM place, lived, fleet
