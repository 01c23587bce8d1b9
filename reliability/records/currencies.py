"""Currencies and the number of decimals that each has (ISO 4217, list one)."""

from reliability.errors import InvalidInput, unknown

# Codes of list one by exponent; funds, precious metals and test codes are left out. BGN and HRK
# were withdrawn when their countries took the euro; older ledgers may still be kept in them.
_BY_EXPONENT = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: "AED AFN ALL AMD ANG AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF "
    "CHF CNY COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HRK "
    "HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU "
    "MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG "
    "SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD UYU UZS VED VES WST "
    "XCD XCG YER ZAR ZMW ZWG",
    3: "BHD IQD JOD KWD LYD OMR TND",
}

#: Decimals of each currency.
EXPONENTS: dict[str, int] = {
    code: exponent for exponent, codes in _BY_EXPONENT.items() for code in codes.split()
}


def exponent_of(currency: str) -> int:
    """Tell how many decimals a currency has.

    Parameters
    ----------
    currency : str
        ISO 4217 code, three capital letters.

    Returns
    -------
    int
        0, 2 or 3.

    Raises
    ------
    InvalidInput
        If the code is not in the list.
    """
    if currency not in EXPONENTS:
        raise unknown("ISO 4217 lists no currency", currency, EXPONENTS)
    return EXPONENTS[currency]


def currency_fault(currency: str) -> str | None:
    """Say what is wrong with a currency code, or nothing."""
    try:
        exponent_of(currency)
    except InvalidInput as error:
        return error.message
    return None
