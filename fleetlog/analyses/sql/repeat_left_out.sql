-- What could not be counted among repeat failures, with the reason.
SELECT regexp_replace(why, ' RO .*', ' another order') AS why, count(*) AS count
FROM left_out_line
GROUP BY 1
UNION ALL
SELECT 'failed at the very age at which it was fitted or came under watch', sum(weight)::BIGINT
FROM life WHERE ended_by = 'failed' AND exit_distance <= entry_distance
HAVING sum(weight) > 0
ORDER BY count DESC, why
