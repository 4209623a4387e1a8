-- What the positions are called: of one component, of one engine family, or of all.
SELECT engine_family, component, ordinal, bank, cylinder, side, slot
FROM component_position
WHERE ($component IS NULL OR component = $component)
  AND ($engine_family IS NULL OR engine_family = $engine_family)
ORDER BY engine_family, component, ordinal
