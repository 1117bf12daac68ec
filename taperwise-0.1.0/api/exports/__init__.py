"""What goes into the papers or to another machine: the sheet, the table, the parcel, the draws."""
