-- The names that the load brought, to be found by; its number is the highest that there is.
INSERT INTO name_mark BY NAME FROM marks_of(getvariable('load_id'));
INSERT INTO name_page BY NAME FROM pages_of(getvariable('load_id'))
