package api_test

import "fmt"

func init() {
	get := func(path string) func(w *world, turn int) *response {
		return func(w *world, _ int) *response { return w.do("GET", w.at(path), w.as("treasurer"), nil) }
	}
	for operation, of := range map[string]struct {
		trips   int64
		request func(w *world, turn int) *response
	}{
		"getBooks": {1, get("ledger/books")},
		"patchBooks": {2, func(w *world, turn int) *response {
			return w.do("PATCH", w.at("ledger/books"), w.as("treasurer"), row{"year_begins": fmt.Sprintf("%02d-01", turn+1)}, header{"If-Match", "*"})
		}},
		"createOpeningBalances and reverseLedgerEntry": {4, func(w *world, _ int) *response {
			begun := w.do("POST", w.at("opening-balances"), w.as("treasurer"), row{"on": "2020-01-01", "bank": money(5), "members": []row{{"member": "M1", "owes": money(5)}}, "tools": []row{{"tool": "M7", "value": money(5)}}}).want(201)
			return w.do("POST", begun.header.Get("Location")+"/reverse", w.as("treasurer"), row{"note": "anew"})
		}},
		"createBankStatement, acceptBankRow and reopenBankRow": {7, func(w *world, turn int) *response {
			told := w.bankTells(w.as("treasurer"), "?decimal=point&dates=ymd", fmt.Sprintf("date,amount,reference\n2026-05-01,%d,M1\n", turn+1)).want(201)
			at := w.at("bank-rows/" + told.str("rows", 0, "bank_row", "id"))
			w.do("POST", at+"/accept", w.as("treasurer"), row{"as": "payment", "member": "M1"}).want(200)
			return w.do("POST", at+"/reopen", w.as("treasurer"), row{"note": "not hers"})
		}},
		"getLedgerJournal": {1, get("ledger/journal")}, "getStatementSheet": {1, get("members/M1/statement/sheet")},
		"getAnnualReport": {1, get("reports/year")}, "getAnnualReportSheet": {1, get("reports/year/sheet?year=2026")}, "getAnnualReportPicture": {1, get("reports/year/picture")},
		"getWearReport": {1, get("reports/tool-wear?by=member")}, "getWearReportSheet": {1, get("reports/tool-wear/sheet")}, "getWearReportPicture": {1, get("reports/tool-wear/picture")},
		"listBankRows":       {1, get("bank-rows?state=open")},
		"listBankStatements": {1, get("bank-statements")},
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, of.trips, of.request})
	}
}
