package money

import (
	"fmt"
	"slices"
	"strings"
)

// Currency is an ISO 4217 alphabetic code, such as "EUR".
type Currency string

// ParseCurrency reads the code of a currency in circulation. Small letters, names
// and symbols are refused, as are codes of metals, funds and test.
func ParseCurrency(code string) (Currency, error) {
	if _, known := slices.BinarySearch(currencies, code); !known {
		shown := code
		if len(shown) > 10 {
			shown = strings.ToValidUTF8(shown[:10], "") + "…"
		}
		return "", fmt.Errorf("%w: %q is no ISO 4217 code in use; write three capital letters such as EUR", ErrCurrency, shown)
	}
	return Currency(code), nil
}

// Decimals returns how many decimal places the currency's minor unit has by ISO
// 4217: 2 for most, 0 for some such as JPY, 3 for some such as KWD; 0 for a code
// that is not known.
func (c Currency) Decimals() int {
	if _, known := slices.BinarySearch(currencies, string(c)); !known {
		return 0
	}
	switch c {
	case "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF":
		return 0
	case "BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND":
		return 3
	}
	return 2
}

// currencies are the codes of ISO 4217, list one, that stand for money in
// circulation, ascending (written from memory and compared with a copy of the list
// of 2022; XCG and ZWG are newer).
var currencies = strings.Fields(`
AED AFN ALL AMD ANG AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BRL BSD BTN BWP BYN BZD
CAD CDF CHF CLP CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD
GNF GTQ GYD HKD HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT
LAK LBP LKR LRD LSL LYD MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR
NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR RON RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP
STN SVC SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS UAH UGX USD UYU UZS VED VES VND VUV WST XAF XCD
XCG XOF XPF YER ZAR ZMW ZWG`)
