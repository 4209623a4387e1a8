SELECT engine_family, component, ordinal, bank, cylinder, side, slot
FROM component_position
WHERE $component IS NULL OR component = $component
ORDER BY engine_family, component, ordinal
