"""The metadata packet of a report: PDF/A-3A and PDF/UA-1 claimed together.

PDF/A demands that a schema it does not know is described in the packet, so the PDF/UA identification comes
with its description (ISO 19005-3, 6.6.2.3). The packet is stored uncompressed.
"""

from datetime import datetime
from xml.sax.saxutils import escape

PRODUCER = "Flowledger"

_UA_SCHEMA = (
    '<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/" '
    'xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" '
    'xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">'
    '<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">'
    "<pdfaSchema:schema>PDF/UA identification schema</pdfaSchema:schema>"
    "<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>"
    "<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>"
    '<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">'
    "<pdfaProperty:name>part</pdfaProperty:name><pdfaProperty:valueType>Integer</pdfaProperty:valueType>"
    "<pdfaProperty:category>internal</pdfaProperty:category>"
    "<pdfaProperty:description>Part of ISO 14289</pdfaProperty:description>"
    "</rdf:li></rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>"
    '<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/" pdfuaid:part="1"/>'
)


def packet(title: str, author: str, made: datetime) -> bytes:
    """The XMP packet; `made` must know its zone."""
    stamp = made.isoformat(timespec="seconds")
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/" pdfaid:part="3" '
        'pdfaid:conformance="A"/>'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/" '
        f'pdf:Producer="{PRODUCER}" xmp:CreateDate="{stamp}" xmp:ModifyDate="{stamp}">'
        f'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>'
        f"<dc:creator><rdf:Seq><rdf:li>{escape(author)}</rdf:li></rdf:Seq></dc:creator></rdf:Description>"
        f"{_UA_SCHEMA}</rdf:RDF></x:xmpmeta>\n"
        '<?xpacket end="w"?>'
    ).encode()
