-- What each order did to each component (NULL where it did nothing that is coded), under the
-- complaint that it was opened for. Two complaints are the same where they hold the same words,
-- in whatever order: without capitals, marks, endings, and the words that say nothing of the trouble;
-- or where they tell the same sign. So an order has a row for its words, which are its subject, and
-- one for each sign; complaint_sign is a frame of the caller: text, sign (no word begins with a colon).
-- Orders that found nothing count too. The lists are common practice, no source.
WITH worded AS (
    SELECT complaint,
           nullif(array_to_string(list_sort(list_distinct(list_transform(
               list_filter(regexp_extract_all(lower(complaint), '[\p{L}\p{N}]+'),
                           lambda word: NOT list_contains(
                               ['a', 'an', 'and', 'are', 'at', 'by', 'does', 'for', 'from', 'has', 'have',
                                'in', 'is', 'it', 'needs', 'of', 'on', 'or', 'over', 'that', 'the', 'to',
                                'under', 'up', 'very', 'was', 'when', 'while', 'with',
                                'again', 'complaint', 'customer', 'driver', 'operator', 'report', 'reported',
                                'reports', 'said', 'says', 'state', 'states', 'unit', 'vehicle',
                                'due', 'inspection', 'interval', 'maintenance', 'planned', 'pm', 'replacement',
                                'scheduled', 'service'], word)),
               lambda word: CASE WHEN length(word) > 4 THEN regexp_replace(word, '(ing|ed|s)$', '')
                                 ELSE word END))), ' '), '') AS subject
    FROM (SELECT DISTINCT complaint FROM repair_order WHERE complaint IS NOT NULL)
), keyed AS (
    SELECT complaint, subject, subject AS key FROM worded
    UNION ALL
    SELECT w.complaint, w.subject, ':' || c.sign
    FROM worded AS w JOIN complaint_sign AS c ON c.text = w.complaint
    WHERE w.subject IS NOT NULL
)
SELECT o.ro_id, l.component, w.subject, w.key,
       bool_or(l.reason IS DISTINCT FROM 'planned') AS at_fault,
       coalesce(bool_and(l.reason = 'planned'), false) AS planned_only,
       CASE WHEN min(l.part_maker) = max(l.part_maker) THEN min(l.part_maker)
            WHEN min(l.part_maker) IS NOT NULL THEN 'several makers' END AS part_maker,
       CASE WHEN min(l.part_lot) = max(l.part_lot) THEN min(l.part_lot)
            WHEN min(l.part_lot) IS NOT NULL THEN 'several lots' END AS part_lot
FROM repair_order AS o
LEFT JOIN keyed AS w USING (complaint)
LEFT JOIN repair_line AS l USING (ro_id)
GROUP BY o.ro_id, l.component, w.subject, w.key
