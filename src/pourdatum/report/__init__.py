"""What people look at: maps and pages drawn from finished results. Nothing is worked out here."""
