-- Orders of one vehicle that tell the same job twice, or that share out the lines of one visit.
--
-- The pairs of order_pairs.sql are compared feature by feature; each feature adds
-- the binary logarithm of how much likelier it is between two tellings of one job than between
-- two jobs (Fellegi and Sunter 1969, "A theory for record linkage"). Two sums are kept, for a job
-- told again and for one that was split; what is missing on either side adds nothing. The weights
-- are common practice, no source.
-- Growth: linear in the pairs and their lines.

CREATE OR REPLACE TEMP TABLE link_weight AS
FROM (VALUES
    -- feature, value, told again, split, words
    ('before',     'any',         -7.0, -8.0, NULL),
    ('day',        'same',         3.0,  3.0, 'the same day'),
    ('day',        'next',         0.0, -1.0, 'a day apart'),
    ('day',        'few',         -2.0, -4.0, 'two or three days apart'),
    ('day',        'more',        -4.0, -8.0, 'four days apart or more'),
    -- Two orders of one day share their odometer anyway.
    ('odometer',   'same',         4.0,  2.0, 'the same odometer'),
    ('odometer',   'close',        2.0,  1.0, 'odometers within ten'),
    ('odometer',   'near',        -3.0, -4.0, 'odometers up to a hundred apart'),
    ('odometer',   'far',         -8.0, -8.0, 'odometers far apart'),
    ('number',     'same',         9.0,  5.0, 'the same number'),
    ('number',     'suffix',       2.0,  5.0, 'the same number but for its ending'),
    ('number',     'next',        -3.0,  1.0, 'numbers next to each other'),
    ('number',     'other',       -3.0, -2.0, 'another number'),
    ('shop',       'same',         1.0,  0.0, 'the same shop'),
    ('shop',       'alike',        1.0,  0.0, 'shop names alike'),
    ('shop',       'other',       -3.0, -5.0, 'another shop'),
    ('lines',      'all of many',  7.0, -6.0, 'the same lines'),
    ('lines',      'all',          5.0, -6.0, 'the same line'),
    ('lines',      'all but place', 4.0, -6.0, 'the same work, places not told alike'),
    ('lines',      'half',         3.0, -6.0, 'half the lines the same or more'),
    ('lines',      'some',         0.0, -6.0, 'a few lines the same'),
    ('lines',      'none',        -6.0,  1.0, 'no line the same'),
    ('lines',      'missing',      0.0, -8.0, 'an order without lines'),
    ('line numbers', 'go on',     -2.0,  8.0, 'line numbers of one go on where those of the other end'),
    ('technician', 'same',         1.0,  1.0, 'the same technician'),
    ('technician', 'other',       -1.0, -1.0, 'another technician'),
    ('labour',     'same',         3.0,  2.0, 'the same labour cost'),
    ('labour',     'other',       -2.0,  0.0, 'another labour cost'),
    ('parts',      'same',         3.0,  2.0, 'the same parts cost'),
    ('parts',      'other',       -2.0,  0.0, 'another parts cost'),
    ('complaint',  'same',         3.0,  4.0, 'the same complaint'),
    ('complaint',  'alike',        2.0,  2.0, 'complaints alike'),
    ('complaint',  'other',       -3.0, -3.0, 'another complaint'),
    ('finding',    'same',         3.0,  3.0, 'the same cause and correction'),
    ('finding',    'alike',        2.0,  1.0, 'cause and correction alike'),
    ('finding',    'other',       -2.0,  0.0, 'another cause or correction')
) AS w(feature, "value", same_bits, split_bits, words);

CREATE OR REPLACE TEMP TABLE paired_order AS
SELECT o.ro_id, o.shop, o.opened_on, o.odometer, o.technician, o.labour_cost, o.parts_cost,
       upper(o.ro_no) AS ro_no,
       upper(trim(regexp_replace(o.shop, '[^\p{L}\p{N}]+', ' ', 'g'))) AS shop_key,
       nullif(ltrim(regexp_replace(o.ro_no, '[^0-9]', '', 'g'), '0'), '') AS digits,
       -- 1234A and 1234-2 belong to 1234; a shorter stem may be a year or a month.
       nullif(regexp_extract(upper(o.ro_no), '^[^0-9]*0*([0-9]{3,})(?:[-/. ]?[A-Z]|[-/.][0-9])?$', 1), '') AS stem,
       list_sort(list_distinct(regexp_extract_all(lower(coalesce(o.complaint, '')), '[\p{L}\p{N}]+'))) AS complaint,
       list_sort(list_distinct(regexp_extract_all(
           lower(concat_ws(' ', o.cause, o.correction)), '[\p{L}\p{N}]+'))) AS finding
FROM repair_order AS o
WHERE ro_id IN (SELECT first_ro FROM order_pair UNION SELECT second_ro FROM order_pair);

CREATE OR REPLACE TEMP TABLE paired_line AS
SELECT l.ro_id, l.line_no,
       coalesce(l.component, lower(l.description)) || '|' || coalesce(l.action, '') AS work,
       concat_ws('|', work, l.bank, l.cylinder, l.side, l.slot,
                 -- Which of the words are there, so that bank 2 and cylinder 2 stay apart.
                 (l.bank IS NULL)::INT || (l.cylinder IS NULL)::INT || (l.side IS NULL)::INT || (l.slot IS NULL)::INT)
           AS placed_work,
       coalesce(l.bank::VARCHAR, l.cylinder::VARCHAR, l.side, l.slot::VARCHAR) IS NOT NULL AS placed,
       row_number() OVER (PARTITION BY l.ro_id, placed_work ORDER BY l.line_no) AS nth,
       row_number() OVER (PARTITION BY l.ro_id, work ORDER BY l.line_no) AS nth_work,
       -- One key for order and work together: joined by the work first, every oil filter of the
       -- fleet would meet every other.
       concat_ws('|', l.ro_id, nth, placed_work) AS place_key,
       concat_ws('|', l.ro_id, nth_work, work) AS nth_work_key,
       concat_ws('|', l.ro_id, work) AS work_key
FROM repair_line AS l
WHERE ro_id IN (SELECT ro_id FROM paired_order);

CREATE OR REPLACE TEMP TABLE scored_pair AS
WITH numbered AS (
    SELECT ro_id, count(*) AS lines, min(line_no) AS first_line, max(line_no) AS last_line
    FROM paired_line GROUP BY ro_id
), shared AS (
    SELECT p.first_ro, p.second_ro, count(*) AS same_lines
    FROM order_pair AS p
    JOIN paired_line AS a ON a.ro_id = p.first_ro
    JOIN paired_line AS b ON b.place_key = concat_ws('|', p.second_ro, a.nth, a.placed_work)
    GROUP BY ALL
), shared_work AS (
    SELECT p.first_ro, p.second_ro, count(*) AS same_work
    FROM order_pair AS p
    JOIN paired_line AS a ON a.ro_id = p.first_ro
    JOIN paired_line AS b ON b.nth_work_key = concat_ws('|', p.second_ro, a.nth_work, a.work)
    GROUP BY ALL
), compared AS (
    SELECT p.*, b.opened_on - a.opened_on AS days, abs(a.odometer - b.odometer) AS apart,
           a.technician AS technician_a, b.technician AS technician_b,
           a.labour_cost AS labour_a, b.labour_cost AS labour_b,
           a.parts_cost AS parts_a, b.parts_cost AS parts_b,
           coalesce(s.same_lines, 0) / (x.lines + y.lines - coalesce(s.same_lines, 0)) AS overlap,
           coalesce(w.same_work, 0) / (x.lines + y.lines - coalesce(w.same_work, 0)) AS work_overlap,
           x.lines AS lines_a, y.lines AS lines_b,
           y.first_line = x.last_line + 1 OR x.first_line = y.last_line + 1 AS goes_on,
           a.digits AS digits_a, b.digits AS digits_b, a.stem AS stem_a, b.stem AS stem_b,
           a.shop = b.shop AS one_shop,
           jaro_winkler_similarity(a.shop_key, b.shop_key) AS shop_likeness,
           regexp_matches(a.ro_no, '[0-9] ?[A-Z]$') AND regexp_matches(b.ro_no, '[0-9] ?[A-Z]$') AS lettered,
           len(list_intersect(a.complaint, b.complaint))
               / nullif(len(list_distinct(a.complaint || b.complaint)), 0) AS complaint_likeness,
           len(a.complaint) > 0 AND len(b.complaint) > 0 AS both_complain,
           len(list_intersect(a.finding, b.finding))
               / nullif(len(list_distinct(a.finding || b.finding)), 0) AS finding_likeness,
           len(a.finding) > 0 AND len(b.finding) > 0 AS both_find
    FROM order_pair AS p
    JOIN paired_order AS a ON a.ro_id = p.first_ro
    JOIN paired_order AS b ON b.ro_id = p.second_ro
    LEFT JOIN numbered AS x ON x.ro_id = p.first_ro
    LEFT JOIN numbered AS y ON y.ro_id = p.second_ro
    LEFT JOIN shared AS s ON s.first_ro = p.first_ro AND s.second_ro = p.second_ro
    LEFT JOIN shared_work AS w ON w.first_ro = p.first_ro AND w.second_ro = p.second_ro
), seen AS (
    SELECT vin, first_ro, second_ro, ruling, said_by, reason, unnest([
        {'place': 0, 'feature': 'before', 'value': 'any'},
        {'place': 1, 'feature': 'day', 'value': CASE WHEN days = 0 THEN 'same' WHEN days = 1 THEN 'next'
                                        WHEN days <= 3 THEN 'few' ELSE 'more' END},
        {'place': 2, 'feature': 'odometer', 'value': CASE WHEN apart = 0 THEN 'same' WHEN apart <= 10 THEN 'close'
                                             WHEN apart <= 100 THEN 'near' WHEN apart > 100 THEN 'far' END},
        {'place': 3, 'feature': 'number', 'value': CASE
            WHEN digits_a IS NULL OR digits_b IS NULL THEN NULL
            WHEN digits_a = digits_b AND NOT lettered THEN 'same'
            WHEN stem_a = stem_b THEN 'suffix'
            WHEN one_shop AND abs(try_cast(digits_a AS HUGEINT) - try_cast(digits_b AS HUGEINT)) <= 2 THEN 'next'
            ELSE 'other' END},
        {'place': 4, 'feature': 'shop', 'value': CASE WHEN one_shop THEN 'same'
                                         WHEN shop_likeness >= 0.85 THEN 'alike' ELSE 'other' END},
        {'place': 5, 'feature': 'lines', 'value': CASE
            WHEN lines_a IS NULL OR lines_b IS NULL THEN 'missing'
            WHEN overlap = 1 AND lines_a > 2 THEN 'all of many'
            WHEN overlap = 1 THEN 'all'
            WHEN work_overlap = 1 THEN 'all but place'
            WHEN overlap >= 0.5 THEN 'half'
            WHEN work_overlap > 0 THEN 'some'
            ELSE 'none' END},
        {'place': 6, 'feature': 'line numbers', 'value': CASE WHEN goes_on THEN 'go on' END},
        {'place': 7, 'feature': 'technician', 'value': CASE
            WHEN lower(technician_a) = lower(technician_b) THEN 'same'
            WHEN technician_a <> technician_b THEN 'other' END},
        -- Nothing charged on both is no likeness: many orders are written so.
        {'place': 8, 'feature': 'labour', 'value': CASE WHEN labour_a = labour_b AND labour_a > 0 THEN 'same'
                                           WHEN labour_a <> labour_b THEN 'other' END},
        {'place': 9, 'feature': 'parts', 'value': CASE WHEN parts_a = parts_b AND parts_a > 0 THEN 'same'
                                          WHEN parts_a <> parts_b THEN 'other' END},
        {'place': 10, 'feature': 'complaint', 'value': CASE WHEN NOT both_complain THEN NULL
            WHEN complaint_likeness = 1 THEN 'same' WHEN complaint_likeness >= 0.6 THEN 'alike'
            WHEN complaint_likeness < 0.3 THEN 'other' END},
        {'place': 11, 'feature': 'finding', 'value': CASE WHEN NOT both_find THEN NULL
            WHEN finding_likeness = 1 THEN 'same' WHEN finding_likeness >= 0.6 THEN 'alike'
            WHEN finding_likeness < 0.3 THEN 'other' END}
    ]) AS seen
    FROM compared
), summed AS (
    SELECT s.vin, s.first_ro, s.second_ro, s.ruling, s.said_by, s.reason,
           sum(w.same_bits) AS same_bits, sum(w.split_bits) AS split_bits,
           list({'place': s.seen.place, 'words': w.words, 'same': w.same_bits, 'split': w.split_bits}
                ORDER BY s.seen.place) AS features
    FROM seen AS s
    JOIN link_weight AS w ON w.feature = s.seen.feature AND w."value" = s.seen."value"
    GROUP BY s.vin, s.first_ro, s.second_ro, s.ruling, s.said_by, s.reason
)
SELECT *, CASE WHEN split_bits > same_bits THEN 'split order' ELSE 'same order' END AS kind,
       1 / (1 + power(2.0, -greatest(same_bits, split_bits))) AS score,
       list_transform(list_filter(features, lambda f: f.words IS NOT NULL
           AND CASE WHEN split_bits > same_bits THEN f.split ELSE f.same END > 0), lambda f: f.words) AS speaks_for,
       list_transform(list_filter(features, lambda f: f.words IS NOT NULL
           AND CASE WHEN split_bits > same_bits THEN f.split ELSE f.same END < 0), lambda f: f.words) AS against
FROM summed;

INSERT INTO order_link BY NAME
SELECT vin, first_ro, second_ro, kind,
       CASE WHEN ruling = 'same' OR score >= getvariable('link_surely') THEN 'linked' ELSE 'ask' END AS state,
       score,
       concat_ws('; ',
           'said by ' || said_by || coalesce(': ' || reason, ''),
           nullif(list_aggregate(speaks_for, 'string_agg', ', '), ''),
           'against it: ' || nullif(list_aggregate(against, 'string_agg', ', '), '')) AS why
FROM scored_pair
WHERE ruling IS DISTINCT FROM 'different' AND (ruling = 'same' OR score >= getvariable('link_perhaps'));

-- Lines of an order told again that say nothing new: the same work at the same place, as often as
-- the first telling has it; or the same work without a place, where the other telling has places.
INSERT INTO told_line BY NAME
WITH same_order AS (
    SELECT k.first_ro, k.second_ro FROM order_link AS k JOIN touched_vehicle USING (vin)
    WHERE k.state = 'linked' AND k.kind = 'same order'
), told AS (
    SELECT k.second_ro AS ro_id, b.line_no, k.first_ro AS as_on
    FROM same_order AS k
    JOIN paired_line AS a ON a.ro_id = k.first_ro
    JOIN paired_line AS b ON b.place_key = concat_ws('|', k.second_ro, a.nth, a.placed_work)
    UNION ALL
    SELECT v.ro_id, v.line_no, p.ro_id
    FROM (SELECT first_ro AS vague_ro, second_ro AS placed_ro FROM same_order
          UNION ALL SELECT second_ro, first_ro FROM same_order) AS k
    JOIN paired_line AS v ON v.ro_id = k.vague_ro AND NOT v.placed
    JOIN paired_line AS p ON p.work_key = concat_ws('|', k.placed_ro, v.work) AND p.placed
    -- Told just as vaguely there: then the line with a place is about another part.
    ANTI JOIN paired_line AS w ON w.place_key = concat_ws('|', k.placed_ro, v.nth, v.placed_work)
)
SELECT t.ro_id, t.line_no,
       'the same line as on RO ' || o.ro_no || ' of ' || o.shop AS told_on
FROM (SELECT ro_id, line_no, min(as_on) AS as_on FROM told GROUP BY ALL) AS t
JOIN repair_order AS o ON o.ro_id = t.as_on;
