"""Design-review workbooks for parts made by the thousand on filament printers."""
