"""ISO 4217 currencies: their codes, and how many decimals their amounts have.

Codes and minor units come from ISO 4217, table A.1, as amended in January 2026. Metals, test codes
and units of account without minor units are left out: nobody is billed in them.
"""

from __future__ import annotations

_BY_MINOR_UNITS: dict[int, str] = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    2: (
        "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD BTN BWP BYN BZD "
        "CAD CDF CHE CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP "
        "GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK "
        "LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO "
        "NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS "
        "SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST "
        "XAD XCD XCG YER ZAR ZMW ZWG"
    ),
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}

_MINOR_UNITS: dict[str, int] = {
    code: digits for digits, codes in _BY_MINOR_UNITS.items() for code in codes.split()
}

CURRENCIES: frozenset[str] = frozenset(_MINOR_UNITS)
"""All codes that a household file may name."""


def minor_units(code: str) -> int:
    """Count the decimals of an amount in a currency.

    Parameters
    ----------
    code : str
        ISO 4217 code such as ``"NZD"``.

    Returns
    -------
    int
        0, 2, 3 or 4.

    Raises
    ------
    KeyError
        No such currency; a loaded household file never holds one.
    """
    if code not in _MINOR_UNITS:
        raise KeyError(code)
    return _MINOR_UNITS[code]
