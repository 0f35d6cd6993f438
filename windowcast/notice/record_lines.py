"""Records of treatments for an inspector: as text, as a table, and what they lack by which law."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from windowcast.notice import spreadsheet
from windowcast.notice.plain import labelled, wrapped

REQUIRED: Mapping[str, tuple[str, ...]] = {
    # Regulation (EU) 2019/6, Article 108 (2): date of first administration, name, quantity,
    # supplier with address, proof of acquisition, animals treated, withdrawal period even if zero,
    # duration; prescriber where there is one. Kept for five years.
    "EU 2019/6 Art. 108": (
        "start", "treatment", "amount_total", "supplier", "supplier_address", "proof", "colonies",
        "withdrawal_days", "duration_days",
    ),
    # Veterinary Medicines Regulations 2013, United Kingdom: purchase (name, batch, date, quantity,
    # supplier with address), use (name, date, quantity, withdrawal period, animals), disposal.
    "UK VMR 2013": (
        "treatment", "lot", "supplier", "supplier_address", "start", "amount_total",
        "withdrawal_days", "colonies", "disposed",
    ),
    # 7 CFR 110.3, United States, certified applicators of restricted-use products: product and
    # registration number, amount, place, date, applicator with certificate. Kept for two years.
    "7 CFR 110.3": (
        "treatment", "registration", "amount_total", "yard", "start", "operator", "certificate",
    ),
}  # fmt: skip
WORDS = {
    "number": "Number",
    "colonies": "Colonies",
    "colony_names": "Which",
    "supers": "Supers on",
    "concentration": "Strength",
    "registration": "Registration",
    "lot": "Lot",
    "expiry": "Expires",
    "supplier": "Supplier",
    "supplier_address": "its address",
    "proof": "Proof",
    "prescriber": "Prescriber",
    "operator": "Done by",
    "certificate": "Certificate",
    "protection": "Worn",
    "reason": "Reason",
    "amount_per_colony": "A colony",
    "amount_total": "In all",
    "start": "Start",
    "doses": "Next doses",
    "end": "End",
    "duration_days": "Days",
    "withdrawal_days": "Withdrawal",
    "honey_from": "Honey from",
    "supers_on": "Supers from",
    "forecast_of": "Forecast of",
    "forecast_from": "from",
    "chance": "Chance",
    "expected_highs_c": "Expected °C",
    "observed_highs_c": "Observed °C",
    "counts_before": "Before",
    "counts_after": "After",
    "queens_missing": "No queen",
    "removed_strips": "Strips out",
    "disposed": "Disposed",
    "removal_operator": "Taken out by",
    "notes": "Notes",
    "against": "Against",
    "corrections": "Corrects",
}
_NAMES = {
    "start": "date",
    "treatment": "name",
    "amount_total": "amount",
    "supplier_address": "the supplier's address",
    "proof": "proof of purchase",
    "withdrawal_days": "withdrawal period",
    "duration_days": "duration (the treatment is still in)",
    "disposed": "disposal",
    "registration": "registration number",
    "operator": "who did it",
    "certificate": "certificate number",
}


def lacks(row: Mapping[str, Any]) -> dict[str, list[str]]:
    """What each list of required fields misses in a record; lists that miss nothing are absent."""
    found = {}
    for law, fields in REQUIRED.items():
        missing = [_NAMES.get(one, one) for one in fields if row.get(one) in ("", None)]
        if missing:
            found[law] = missing
    return found


def record_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """The records as a person reads them."""
    if not rows:
        return ["No treatments on record."]
    lines: list[str] = []
    for row in rows:
        head = f"{row['yard']}, {row['start']}: {row['active']} {row['form']}, {row['regimen']}"
        lines += [wrapped(head)]
        for key, label in WORDS.items():
            value = row.get(key)
            if value not in ("", None) and key != "start":
                lines += labelled(label, str(value))
        for law, missing in lacks(row).items():
            lines += labelled("Lacks", f"{', '.join(missing)} ({law})")
        lines.append("")
    lines.append(
        wrapped(
            "What must be kept, and for how long, differs: five years in the European Union and the"
            " United Kingdom, two for restricted products in the United States. Local law decides."
        )
    )
    return lines


def csv_text(rows: Sequence[Mapping[str, Any]], *, lacking: bool = True) -> str:
    """The records as a table (RFC 4180), safe to open in a spreadsheet."""
    if not rows:
        return ""
    columns = [*rows[0], *([f"lacks: {law}" for law in REQUIRED] if lacking else [])]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        missing = lacks(row) if lacking else {}
        cells = [*row.values(), *(", ".join(missing.get(law, ())) for law in REQUIRED)]
        writer.writerow([spreadsheet.cell(one) for one in cells[: len(columns)]])
    return text.getvalue()


def journal_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Every entry in a line or two."""
    lines: list[str] = []
    for row in rows:
        text = f"{row['day']} {row['yard']}, {row['kind']}: {row['what']}"
        if row["corrects"] != "":
            text += f" (in place of {row['corrects']})"
        if row["corrected_by"] != "":
            text += f" [no longer counts: see {row['corrected_by']}]"
        lines += labelled(str(row["number"]), text)
    return lines or ["No entries."]
