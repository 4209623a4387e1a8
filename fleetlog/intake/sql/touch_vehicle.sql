CREATE TEMP TABLE touched_vehicle AS
SELECT vin FROM loaded_vehicle WHERE load_id = getvariable('load_id')
