-- The distinct texts of the parts column that a mark may part.
SELECT DISTINCT component AS written FROM whole_cell
WHERE len(list_filter($marks::VARCHAR[], lambda mark: contains(component, mark))) > 0
