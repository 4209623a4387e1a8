SELECT DISTINCT names_of, name
FROM (
    SELECT names_of, unnest(string_split(names, chr(10))) AS name FROM name_page
    WHERE contains(names, $key) OR (names_of = 'plate' AND contains(names, $bare))
)
WHERE contains(name, if(names_of = 'plate', $bare, $key))
