INSERT OR REPLACE INTO comeback_ruling
SELECT CASE WHEN turned THEN $other_shop ELSE $shop END,
       CASE WHEN turned THEN $other_ro_no ELSE $ro_no END,
       CASE WHEN turned THEN $shop ELSE $other_shop END,
       CASE WHEN turned THEN $ro_no ELSE $other_ro_no END,
       $reason, $said_by, $said_at
FROM (SELECT ($shop::VARCHAR, $ro_no::VARCHAR) > ($other_shop::VARCHAR, $other_ro_no::VARCHAR) AS turned)
