"""Reads a workbook with openpyxl and gives its sheets as JSON: values, and which cells hold formulas."""

import json
import sys

import openpyxl

book = openpyxl.load_workbook(sys.argv[1], data_only=False)
sheets = {}
for sheet in book.worksheets:
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    formulas = [cell.coordinate for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
    sheets[sheet.title] = {"rows": rows, "formulas": formulas}
json.dump(sheets, sys.stdout)
