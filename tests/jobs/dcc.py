"""Makes digital calibration certificates for tests, from the structure that PTB publishes.

Source: the good-practice examples of the DCC (https://ptb.de/dcc; schemas 2.4.0 to 3.2.0): names of
elements, refTypes, the condition `basic_adjustment` with its status, uncertainties of D-SI 1. Those of D-SI 2
are from memory. All data are invented.
"""

from collections.abc import Sequence
from xml.sax.saxutils import escape

DCC, SI = "https://ptb.de/dcc", "https://ptb.de/si"
REFERENCE, LEFT = ("100.0", "500.0", "2000.0"), ("100.1", "500.2", "2000.4")
FOUND = ("100.4", "501.9", "2006.1")


def expanded(u: str = "0.5", k: str = "2", *, modern: bool = False) -> str:
    """Expanded uncertainty of a list, in the form of D-SI 1, or of D-SI 2."""
    if modern:
        return (
            "<si:measurementUncertaintyUnivariateXMLList><si:expandedMUXMLList>"
            f"<si:valueExpandedMUXMLList>{u}</si:valueExpandedMUXMLList>"
            f"<si:coverageFactorXMLList>{k}</si:coverageFactorXMLList>"
            "<si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList>"
            "<si:distributionXMLList>normal</si:distributionXMLList>"
            "</si:expandedMUXMLList></si:measurementUncertaintyUnivariateXMLList>"
        )
    return (
        f"<si:expandedUncXMLList><si:uncertaintyXMLList>{u}</si:uncertaintyXMLList>"
        f"<si:coverageFactorXMLList>{k}</si:coverageFactorXMLList>"
        "<si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList></si:expandedUncXMLList>"
    )


def real_list(values: Sequence[str], unit: str = "\\pascal", uncertainty: str = "") -> str:
    return (
        f"<si:realListXMLList><si:valueXMLList>{' '.join(values)}</si:valueXMLList>"
        f"<si:unitXMLList>{unit}</si:unitXMLList>{uncertainty}</si:realListXMLList>"
    )


def hybrid(*lists: str) -> str:
    return f"<si:hybrid>{''.join(lists)}</si:hybrid>"


def quantity(ref_type: str, content: str, name: str = "") -> str:
    title = f"<dcc:name><dcc:content>{name}</dcc:content></dcc:name>" if name else ""
    return f'<dcc:quantity refType="{ref_type}">{title}{content}</dcc:quantity>'


def table(*quantities: str) -> str:
    return f'<dcc:list refType="gp_table1">{"".join(quantities)}</dcc:list>'


def readings(
    values: Sequence[str] = LEFT,
    reference: Sequence[str] = REFERENCE,
    unit: str = "\\pascal",
    uncertainty: str | None = None,
) -> str:
    """A table of references and readings; the uncertainty stands with the readings."""
    u = expanded() if uncertainty is None else uncertainty
    return table(
        quantity("basic_referenceValue", real_list(reference, unit)),
        quantity("basic_measuredValue", real_list(values, unit, u)),
    )


def measurement(data: str, *, status: str = "", name: str = "Static pressure", ref_type: str = "") -> str:
    """A measurementResult; `status` is beforeAdjustment or afterAdjustment."""
    conditions = (
        '<dcc:influenceConditions><dcc:influenceCondition refType="basic_adjustment">'
        f"<dcc:name><dcc:content>Adjustment</dcc:content></dcc:name><dcc:status>{status}</dcc:status>"
        "</dcc:influenceCondition></dcc:influenceConditions>"
    )
    return (
        "<dcc:measurementResult><dcc:name><dcc:content>Results</dcc:content></dcc:name>"
        f'{conditions if status else ""}<dcc:results><dcc:result refType="{ref_type}">'
        f"<dcc:name><dcc:content>{name}</dcc:content></dcc:name><dcc:data>{data}</dcc:data></dcc:result>"
        "</dcc:results></dcc:measurementResult>"
    )


def item(serial: str, name: str = "Manometer") -> str:
    return (
        f'<dcc:item><dcc:name><dcc:content lang="en">{name}</dcc:content></dcc:name><dcc:identifications>'
        f"<dcc:identification><dcc:issuer>manufacturer</dcc:issuer><dcc:value>{escape(serial)}</dcc:value>"
        '<dcc:name><dcc:content lang="de">Serien Nr.</dcc:content>'
        '<dcc:content lang="en">Serial no.</dcc:content>'
        "</dcc:name></dcc:identification><dcc:identification><dcc:issuer>customer</dcc:issuer>"
        "<dcc:value>Shelf 4</dcc:value></dcc:identification></dcc:identifications></dcc:item>"
    )


def certificate(
    *measurements: str,
    serial: str = "M-2041",
    number: str = "DCC-2026-7",
    version: str = "3.2.0",
    begun: str = "2026-02-02",
    ended: str = "2026-02-03",
    laboratory: str = "Vale Calibration Laboratory",
    code: str = "D-K-10001",
    items: str = "",
    root: str = "digitalCalibrationCertificate",
    before: str = "",
    inside: str = "",
) -> bytes:
    """A whole certificate; without measurements one with readings before and after adjustment."""
    results = "".join(measurements) or (
        measurement(readings(FOUND), status="beforeAdjustment")
        + measurement(readings(LEFT), status="afterAdjustment")
    )
    text = f"""<?xml version="1.0" encoding="UTF-8"?>{before}
<dcc:{root} xmlns:dcc="{DCC}" xmlns:si="{SI}" schemaVersion="{version}">
<!-- invented for tests -->
<dcc:administrativeData>
<dcc:coreData><dcc:countryCodeISO3166_1>GB</dcc:countryCodeISO3166_1>
<dcc:uniqueIdentifier>{escape(number)}</dcc:uniqueIdentifier>
<dcc:beginPerformanceDate>{begun}</dcc:beginPerformanceDate>
<dcc:endPerformanceDate>{ended}</dcc:endPerformanceDate></dcc:coreData>
<dcc:items>{items or item(serial)}</dcc:items>
<dcc:calibrationLaboratory><dcc:calibrationLaboratoryCode>{code}</dcc:calibrationLaboratoryCode>
<dcc:contact><dcc:name><dcc:content>{laboratory}</dcc:content></dcc:name></dcc:contact></dcc:calibrationLaboratory>
</dcc:administrativeData>
<dcc:measurementResults>{results}</dcc:measurementResults>{inside}
</dcc:{root}>"""
    return text.encode()
