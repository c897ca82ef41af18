"""What is told to people: sheets, pictures, tables and sentences."""
