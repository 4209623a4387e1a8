-- How the text of a cell is read, by type. Settings of the file come in as variables:
--   decimal_mark, file_unit, store_unit, today, heading (field -> heading in the file).
-- Plain numbers take the cheap first branch of each coalesce; only the rest meet a pattern.

-- Blanks around a cell, the unbreakable one among them, are no part of it.
CREATE MACRO cell_text(t) AS nullif(trim(t, ' ' || chr(9) || chr(10) || chr(13) || chr(160)), '');

CREATE MACRO bare_number(t) AS regexp_replace(t, '[\s\x{00A0}\x{202F}$€£]', '', 'g');

CREATE MACRO grouped_number(t) AS CASE
    WHEN getvariable('decimal_mark') = ','
    THEN CASE WHEN regexp_full_match(t, '[-+]?(\d+|\d{1,3}(\.\d{3})+)?(,\d+)?')
              THEN TRY_CAST(replace(replace(t, '.', ''), ',', '.') AS DOUBLE) END
    ELSE CASE WHEN regexp_full_match(t, '[-+]?(\d+|\d{1,3}(,\d{3})+)?(\.\d+)?')
              THEN TRY_CAST(replace(t, ',', '') AS DOUBLE) END
END;

CREATE MACRO number_of(t) AS coalesce(
    CASE WHEN getvariable('decimal_mark') = '.' AND NOT contains(t, '_')
         THEN CASE WHEN isfinite(TRY_CAST(t AS DOUBLE)) THEN TRY_CAST(t AS DOUBLE) END
         ELSE TRY_CAST(TRY_CAST(CASE WHEN NOT contains(t, '.') THEN t END AS BIGINT) AS DOUBLE) END,
    grouped_number(bare_number(t))
);

CREATE MACRO integer_of(t) AS coalesce(
    TRY_CAST(CASE WHEN NOT contains(t, '.') THEN t END AS INTEGER),
    CASE WHEN number_of(t) = floor(number_of(t)) THEN TRY_CAST(number_of(t) AS INTEGER) END
);

CREATE MACRO money_of(t) AS TRY_CAST(number_of(t) AS DECIMAL(12, 2));

-- A unit in the cell wins over that of the file.
CREATE MACRO unit_in(t) AS CASE
    WHEN regexp_full_match(t, '(?i).*\d\s*(mi|mil|mls|miles?)\.?') THEN 'mi'
    WHEN regexp_full_match(t, '(?i).*\d\s*(km|kms|kilomet(re|er)s?)\.?') THEN 'km'
END;

CREATE MACRO in_store_unit(d, unit) AS round(CASE
    WHEN unit = getvariable('store_unit') THEN d
    WHEN unit = 'mi' THEN d * getvariable('km_per_mile')
    ELSE d / getvariable('km_per_mile')
END);

CREATE MACRO distance_of(t) AS coalesce(
    TRY_CAST(in_store_unit(number_of(t), getvariable('file_unit')) AS INTEGER),
    CASE WHEN unit_in(t) IS NOT NULL THEN TRY_CAST(in_store_unit(
        number_of(regexp_replace(t, '(?i)\s*[a-z]+\.?$', '')), unit_in(t)
    ) AS INTEGER) END
);

CREATE MACRO yes_no_of(t) AS CASE
    WHEN lower(t) IN ('y', 'yes', 'true', 't', '1', 'x', 'done', 'ok', 'j', 'ja', 'oui', 'si') THEN true
    WHEN lower(t) IN ('n', 'no', 'false', 'f', '0', 'not done', 'nein', 'non') THEN false
END;

CREATE MACRO codes_of(t) AS list_distinct(list_filter(
    regexp_split_to_array(upper(trim(t)), '[\s,;/|]+'), lambda code: code <> ''
));

CREATE MACRO flag(condition, place) AS CASE WHEN condition THEN 1::UBIGINT << place ELSE 0::UBIGINT END;
CREATE MACRO has(flags, place) AS (flags >> place) & 1 = 1;

CREATE MACRO heading_of(field) AS coalesce(getvariable('heading')[field], field);
CREATE MACRO trouble(field, cell, what, cure) AS struct_pack(
    "column" := heading_of(field), "value" := cell, problem := what, remedy := cure
);

CREATE MACRO narrative_of(cause, correction) AS nullif(concat_ws('; ', cause, correction), '');
-- The words of a line, or where it has none those of its order.
CREATE MACRO told(cause, correction, order_cause, order_correction) AS
    coalesce(narrative_of(cause, correction), narrative_of(order_cause, order_correction));
-- Nothing is asked of the narrative where a description stands that cannot be coded: the
-- narrative may speak of another line of the order.
CREATE MACRO unsaid(description, component, action, reason, failure_mode) AS
    (description IS NULL OR component IS NOT NULL)
    AND (component IS NULL OR action IS NULL OR reason IS NULL OR (reason = 'failed' AND failure_mode IS NULL));

-- The column that says where a part sits: one of its own, that of positions, or the description.
CREATE MACRO place_field(field, own, position) AS CASE
    WHEN own IS NOT NULL THEN field WHEN position IS NOT NULL THEN 'position' ELSE 'component'
END;
CREATE MACRO place_written(own, position, description) AS coalesce(own, position, description);

-- What decides the decimal mark of a file; a comma that parts three digits decides nothing.
CREATE MACRO shows_comma(t) AS CASE WHEN contains(t, ',') THEN regexp_full_match(
    t, '[^,]*\d,(\d{1,2}|\d{4,})\D*|\D*\d{1,3}(\.\d{3})+,\d+\D*'
) END;
CREATE MACRO shows_point(t) AS CASE WHEN contains(t, ',') THEN regexp_full_match(
    t, '\D*\d{1,3}(,\d{3})+\.\d*\D*|\D*\d{1,3}(,\d{3}){2,}\D*'
) END;

-- The pieces of a cell that lists several parts; an empty one keeps its place.
CREATE MACRO pieces_of(t) AS CASE WHEN t IS NOT NULL THEN list_transform(
    string_split(t, getvariable('list_mark')), lambda piece: cell_text(piece)
) END;
CREATE MACRO used_length(pieces) AS coalesce(list_max(
    list_filter(range(1, len(pieces) + 1), lambda place: pieces[place] IS NOT NULL)
), 0);
-- A piece that stands alone beside several parts is said of all of them, or only of the first.
CREATE MACRO piece_of_each(pieces, place, nth) AS
    CASE WHEN len(pieces) = 1 THEN pieces[1] ELSE pieces[place] END;
CREATE MACRO piece_of_one(pieces, place, nth) AS
    CASE WHEN len(pieces) > 1 THEN pieces[place] WHEN nth = 1 THEN pieces[1] END;
