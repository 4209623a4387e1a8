-- What each job did, by part: job_visit is a frame of the caller: visit_ro. Lines of an order told
-- twice that say nothing new are counted and left out. Growth: n log n in the lines of the jobs.
WITH job_order AS (
    SELECT visit_ro AS ro_id, visit_ro FROM job_visit
    UNION
    SELECT ro_id, visit_ro FROM order_visit SEMI JOIN job_visit USING (visit_ro)
), told_again AS (
    SELECT x.ro_id, x.line_no
    FROM left_out_line AS x SEMI JOIN job_order USING (ro_id)
    WHERE starts_with(x.why, 'the same line as on RO ')
), uncounted AS (
    -- How many parts a line without a number stands for.
    SELECT e.ro_id, e.line_no, len(e.positions) AS parts
    FROM position_event AS e
    SEMI JOIN (SELECT ro_id, line_no FROM repair_line WHERE qty IS NULL) AS l USING (ro_id, line_no)
), line AS (
    SELECT j.visit_ro, l.ro_id, l.line_no, l.component,
           CASE WHEN l.component IS NULL THEN lower(trim(l.description)) END AS description,
           l.reason = 'broke-in-work' AS broke,
           coalesce(l.action = 'inspected', false) AS looked,
           coalesce(l.action = 'replaced', false) OR l.reason = 'broke-in-work' AS renewed,
           coalesce(l.qty, u.parts, 1)::DOUBLE AS qty, l.part_no, l.labour_h,
           t.ro_id IS NOT NULL AS told_again
    FROM job_order AS j
    JOIN repair_line AS l USING (ro_id)
    LEFT JOIN told_again AS t ON t.ro_id = l.ro_id AND t.line_no = l.line_no
    LEFT JOIN uncounted AS u ON u.ro_id = l.ro_id AND u.line_no = l.line_no
)
SELECT visit_ro, component, description, broke, looked, renewed,
       sum(qty) FILTER (NOT told_again) AS quantity,
       last(part_no ORDER BY ro_id, line_no) FILTER (part_no IS NOT NULL) AS part_no,
       sum(labour_h) FILTER (NOT told_again) AS labour_h,
       count(*) FILTER (told_again) AS told_again
FROM line
GROUP BY ALL
ORDER BY visit_ro, component, broke, looked, renewed
