"""What every page and sheet shares: escaping, tables, figures, style, cautions, numbers as shown."""
