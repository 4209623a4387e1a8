-- Numbers that can only be read with a decimal comma, and those that only a decimal point fits.
-- {cells} holds the cells with a comma; one that parts thousands alone decides nothing.
SELECT
    count(*) FILTER (regexp_full_match(t, '[^,]*\d,(\d{1,2}|\d{4,})\D*|\D*\d{1,3}(\.\d{3})+,\d+\D*')) AS commas,
    count(*) FILTER (regexp_full_match(t, '\D*\d{1,3}(,\d{3})+\.\d*\D*|\D*\d{1,3}(,\d{3}){2,}\D*')) AS points
FROM ({cells})
