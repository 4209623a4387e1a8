SELECT engine_family, component, ordinal, bank, cylinder, side, slot
FROM component_position
WHERE engine_family = $engine_family
ORDER BY component, ordinal
