UPDATE checked SET crosses = 2, cross_problems = [trouble('code', code, p.problem, 'correct the row')]
FROM family_problem p WHERE p.file_row = checked.file_row
