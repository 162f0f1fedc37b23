"""What people say of cases: a record that is only added to, and what follows from it for each case."""
