SELECT * REPLACE (coalesce(displacement_l, 0) AS displacement_l) FROM engine_family ORDER BY code
