"""Records of treatments for an inspector: as text, as a table, and what they lack by which law."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from windowcast.language import marked, tr
from windowcast.notice import count_lines, spreadsheet, words
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
    "number": marked("Number"),
    "colonies": marked("Colonies"),
    "colony_names": marked("Which"),
    "supers": marked("Supers on"),
    "concentration": marked("Strength"),
    "registration": marked("Registration"),
    "lot": marked("Lot"),
    "expiry": marked("Expires"),
    "supplier": marked("Supplier"),
    "supplier_address": marked("its address"),
    "proof": marked("Proof"),
    "prescriber": marked("Prescriber"),
    "operator": marked("Done by"),
    "certificate": marked("Certificate"),
    "protection": marked("Worn"),
    "reason": marked("Reason"),
    "amount_per_colony": marked("A colony"),
    "amount_total": marked("In all"),
    "start": marked("Start"),
    "doses": marked("Next doses"),
    "end": marked("End"),
    "duration_days": marked("Days"),
    "withdrawal_days": marked("Withdrawal"),
    "honey_from": marked("Honey from"),
    "supers_on": marked("Supers from"),
    "forecast_of": marked("Forecast of"),
    "forecast_from": marked("from"),
    "chance": marked("Chance"),
    "expected_highs_c": marked("Expected °C"),
    "observed_highs_c": marked("Observed °C"),
    "counts_before": marked("Before"),
    "counts_after": marked("After"),
    "queens_missing": marked("No queen"),
    "removed_strips": marked("Strips out"),
    "disposed": marked("Disposed"),
    "removal_operator": marked("Taken out by"),
    "notes": marked("Notes"),
    "against": marked("Against"),
    "corrections": marked("Corrects"),
}
_NAMES = {
    "lot": marked("lot"),
    "supplier": marked("supplier"),
    "yard": marked("yard"),
    "colonies": marked("colonies"),
    "start": marked("date"),
    "treatment": marked("name"),
    "amount_total": marked("amount"),
    "supplier_address": marked("the supplier's address"),
    "proof": marked("proof of purchase"),
    "withdrawal_days": marked("withdrawal period"),
    "duration_days": marked("duration (the treatment is still in)"),
    "disposed": marked("disposal"),
    "registration": marked("registration number"),
    "operator": marked("who did it"),
    "certificate": marked("certificate number"),
}


KINDS = {
    "count": marked("count"),
    "start": marked("start"),
    "swap": marked("fresh dose"),
    "remove": marked("removal"),
    "note": marked("note"),
    "brood": marked("brood check"),
    "queens": marked("queen check"),
    "void": marked("void"),
}
FIELDS = {
    "treatment": marked("treatment"),
    "regimen": marked("regimen"),
    "colonies": marked("colonies"),
    "names": marked("names"),
    "supers": marked("supers"),
    "brood_chambers": marked("brood chambers"),
    "start": marked("of start"),
    "strips": marked("strips"),
    "disposed": marked("disposed"),
    "text": marked("text"),
    "why": marked("why"),
    "against": marked("against"),
    "mites": marked("mites"),
    "bees": marked("bees"),
    "method": marked("method"),
    "colony": marked("colony"),
    "days": marked("days"),
    "capped": marked("capped brood"),
    "open": marked("open brood alone"),
    "checked": marked("looked at"),
    "missing": marked("without a queen"),
    "concentration": marked("strength"),
    "registration": marked("registration number"),
    "lot": marked("lot"),
    "expiry": marked("expires"),
    "supplier": marked("supplier"),
    "supplier_address": marked("the supplier's address"),
    "proof": marked("proof of purchase"),
    "prescriber": marked("prescriber"),
    "operator": marked("done by"),
    "certificate": marked("certificate number"),
    "protection": marked("worn"),
    "reason": marked("reason"),
}
"""What an entry holds, by the names that its table and document have for it."""


def raw_entry(body: Mapping[str, Any]) -> str:
    """What an entry holds, as it was kept: "mites 9; bees 300"."""
    return "; ".join(f"{key} {value}" for key, value in body.items() if value not in (None, ""))


def told_entry(body: Mapping[str, Any]) -> str:
    """The same for people: "mites: 9; bees: 300"."""
    return "; ".join(
        tr("{name}: {value}", name=tr(FIELDS.get(key, key)), value=_value(key, value))
        for key, value in body.items()
        if value not in (None, "")
    )


def _value(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return tr("seen") if value else tr("not seen")
    if key == "method":
        return tr(count_lines.METHODS.get(value, value))
    if isinstance(value, (list, tuple)):
        return words.in_a_row([str(one) for one in value]) if value else ""
    return words.general(value) if isinstance(value, float) else str(value)


def lacks(row: Mapping[str, Any]) -> dict[str, list[str]]:
    """What each list of required fields misses in a record; lists that miss nothing are absent.

    Where what is still in went is no gap yet.
    """
    found = {}
    to_come = ("disposed",) if row.get("end") == "" else ()
    for law, fields in REQUIRED.items():
        missing = [
            _name(one) for one in fields if row.get(one) in ("", None) and one not in to_come
        ]
        if missing:
            found[law] = missing
    return found


def _name(field: str) -> str:
    found = _NAMES.get(field, "")
    return tr(found) if found else field


def record_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """The records as a person reads them."""
    if not rows:
        return [tr("No treatments on record.")]
    lines: list[str] = []
    for row in rows:
        head = tr(
            "{yard}, {start}: {treatment}, {regimen}",
            yard=row["yard"],
            start=row["start"],
            treatment=words.kept_name(row["active"], row["form"]),
            regimen=row["regimen"],
        )
        lines += [wrapped(head)]
        for key, label in WORDS.items():
            value = row.get(key)
            if value not in ("", None) and key != "start":
                told = words.percent(value) if key == "chance" else str(value)
                lines += labelled(tr(label), told)
        for law, missing in lacks(row).items():
            text = tr("{fields} ({law})", fields=words.in_a_row(missing), law=law)
            lines += labelled(tr("Lacks"), text)
        lines.append("")
    lines.append(
        wrapped(
            tr(
                "What must be kept, and for how long, differs: five years in the European Union and"
                " the United Kingdom, two for restricted products in the United States. Local law"
                " decides."
            )
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
        kind = tr(KINDS.get(row["kind"], row["kind"]))
        text = f"{row['day']} {row['yard']}, {kind}: {row['what']}"
        if row["corrects"] != "":
            text += f" ({tr('in place of {number}', number=row['corrects'])})"
        if row["corrected_by"] != "":
            text += f" [{tr('no longer counts: see {number}', number=row['corrected_by'])}]"
        lines += labelled(str(row["number"]), text)
    return lines or [tr("No entries.")]
