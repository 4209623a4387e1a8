FROM engine_family ORDER BY code
