SELECT count(*) FROM left_out_line WHERE starts_with(why, 'the same line as on RO ')
