// Package imports lets a club's spreadsheets come in: it knows what each kind of
// sheet may hold, finds the columns, makes of every row the body that a single
// POST would take, and keeps what came in so that it can be taken back.
//
// # Vocabulary
//
// A Kind is what the rows of a sheet are. A Field is something that a row may
// say; its Pointer is its place in the body that makes one such thing, so that
// the rules of the contract and of the domain packages hold for a row as for a
// body, and their faults find their column again. A Mapping says which column is
// which field. An Import is a sheet that came in, with what it made.
//
// # Taking back
//
// What an import made and nobody has changed or used since is deleted again;
// readings, which are history, are voided. The application's role may delete
// nothing, so revert_import does it, for the rows of one import of the club of
// the transaction only, and refuses all when one cannot go.
//
// # What it does not do
//
// It judges no row: package api holds bodies against the contract and hands them
// to the domain packages.
package imports

import "slices"

// Kind is what the rows of a sheet are.
type Kind string

// The kinds.
const (
	Members    Kind = "members"
	ToolModels Kind = "tool_models"
	Tools      Kind = "tools"
	Kits       Kind = "kits"
	Vehicles   Kind = "vehicles"
	Joints     Kind = "joints"
	Readings   Kind = "readings"
)

// Kinds lists every kind, in the order in which a new club brings them in.
func Kinds() []Kind { return []Kind{Members, ToolModels, Tools, Kits, Vehicles, Joints, Readings} }

// form is how a cell becomes a value of a body.
type form int

const (
	text      form = iota // as it stands
	word                  // one of a few: case, spaces and dashes do not count
	capital               // one of a few, in capitals
	flag                  // yes or no
	number                // a number without unit
	size                  // a length with its unit
	gauge                 // a length with its unit, or a tool number
	degrees               // a temperature with its unit
	price                 // money in the club's currency
	words                 // several of a few
	single                // the only item of a list
	moment                // a time, or a day
	day                   // a day
	parts                 // the parts of a kit
	asEntered             // lengths as they were entered, as a list of models tells them as JSON
)

// Field is something that a row may say.
type Field struct {
	Name     string
	Pointer  string // into the body (RFC 6901)
	Needed   bool   // a sheet without a column for it is refused
	Model    bool   // of the tool's model: it goes into a body of its own
	About    string
	form     form
	synonyms []string // folded; the name itself is always known
}

// fields are what each kind may say. The synonyms are plain words of our own for
// what people write above such columns.
var fields = map[Kind][]Field{
	Members: {
		{Name: "number", Pointer: "/number", Needed: true, About: "Member number", synonyms: []string{"no", "nr", "memberno", "membernumber", "membershipnumber"}},
		{Name: "name", Pointer: "/name", Needed: true, About: "Name", synonyms: []string{"fullname", "member", "membername", "person"}},
		{Name: "roles", Pointer: "/roles", form: words, About: "Roles, with a space, comma, semicolon, plus, slash or | between them; member where none is given", synonyms: []string{"role", "duties", "office"}},
		{Name: "garage", Pointer: "/garage", About: "Code of the home garage", synonyms: []string{"homegarage", "place", "workshop", "where", "garageid"}},
	},
	Tools: {
		{Name: "number", Pointer: "/number", Needed: true, About: "Tool number", synonyms: []string{"no", "nr", "toolno", "toolnumber", "inventorynumber", "tag"}},
		{Name: "model", Pointer: "/model", Needed: true, About: "Code of the tool model", synonyms: []string{"modelcode", "type", "toolmodel"}},
		{Name: "garage", Pointer: "/garage", About: "Code of the garage where it lives; may be missing where the club has only one", synonyms: []string{"homegarage", "place", "workshop", "where", "location", "garageid"}},
		{Name: "present_place", Pointer: "/place", About: "Code of the garage where it is while it is in the house; its home garage where none is given", synonyms: []string{"presentgarage", "presentgarageid", "nowat"}},
		{Name: "state", Pointer: "/state", form: word, About: "in service, quarantine, lost or retired", synonyms: []string{"status"}},
		{Name: "condition", Pointer: "/condition", form: word, About: "good, worn, damaged or incomplete; good where none is given"},
		{Name: "value", Pointer: "/value", form: price, About: "What it is worth, in the club's currency; as its model where none is given", synonyms: []string{"worth"}},
		{Name: "deposit", Pointer: "/deposit", form: price, About: "What is left for it at the counter; as its model where none is given"},
		{Name: "inspection_due_on", Pointer: "/inspection_due_on", form: day, About: "The last day on which it may go out without being inspected", synonyms: []string{"inspectiondue", "inspectby"}},
		{Name: "note", Pointer: "/note", About: "Note", synonyms: []string{"notes", "remark", "remarks", "comment", "comments"}},
	},
	Kits: {
		{Name: "code", Pointer: "/code", Needed: true, About: "Short name that serves as an id", synonyms: []string{"kit", "kitcode", "shortname"}},
		{Name: "name", Pointer: "/name", Needed: true, About: "Name", synonyms: []string{"kitname", "description", "title"}},
		{Name: "contents", Pointer: "/parts", Needed: true, form: parts, About: "Tool numbers, and `any` before the code of a model of which any tool will do, with a |, comma, semicolon or line break between them", synonyms: []string{"parts", "tools", "holds"}},
		{Name: "note", Pointer: "/note", About: "Note", synonyms: []string{"notes", "remark", "remarks", "comment", "comments"}},
	},
	Vehicles: {
		{Name: "code", Pointer: "/code", Needed: true, About: "Short name that serves as an id", synonyms: []string{"vehiclecode", "shortname", "vehicle", "car"}},
		{Name: "name", Pointer: "/name", Needed: true, About: "Name", synonyms: []string{"description", "vehiclename", "title"}},
		{Name: "chassis_number", Pointer: "/chassis_number", About: "Chassis number", synonyms: []string{"chassis", "chassisno", "vin", "framenumber"}},
		{Name: "built_year", Pointer: "/built_year", form: number, About: "Year it was built", synonyms: []string{"year", "built", "yearbuilt"}},
		{Name: "garage", Pointer: "/garage", About: "Code of the garage where it stands", synonyms: []string{"place", "workshop", "where", "standsat", "garageid"}},
		{Name: "member", Pointer: "/member", About: "Number of the member whose it is; you where none is given", synonyms: []string{"owner", "ownernumber", "membernumber", "memberno", "memberid"}},
	},
	Joints: {
		{Name: "vehicle", Pointer: "/vehicle", Needed: true, About: "Code of the vehicle", synonyms: []string{"vehiclecode", "car", "vehicleid"}},
		{Name: "template", Pointer: "/template", Needed: true, About: "Code of the joint template", synonyms: []string{"kind", "type", "jointtemplate", "jointtype", "templatecode"}},
		{Name: "position", Pointer: "/positions", Needed: true, form: single, About: "Position on the vehicle", synonyms: []string{"joint", "where", "place"}},
		{Name: "nominal", Pointer: "/nominal", form: size, About: "Nominal size; the template's where none is given", synonyms: []string{"nominalsize", "size", "diameter", "standardsize"}},
		{Name: "pin_series", Pointer: "/pin_series", About: "Code of the pin series; the template's where none is given", synonyms: []string{"series", "pins", "pinseriesid"}},
		{Name: "clearance_min", Pointer: "/target/clearance_min", form: size, About: "Least clearance wanted", synonyms: []string{"leastclearance", "clearancefrom", "minclearance"}},
		{Name: "clearance_max", Pointer: "/target/clearance_max", form: size, About: "Largest clearance wanted", synonyms: []string{"largestclearance", "clearanceto", "maxclearance"}},
		{Name: "fit", Pointer: "/target/fit", About: "Fit wanted, such as H7/g6", synonyms: []string{"fitwanted", "targetfit"}},
	},
	Readings: {
		{Name: "id", Pointer: "/id", About: "UUID of version 7; where none is given, the same reading in the same or another sheet is one reading", synonyms: []string{"readingid", "uuid"}},
		{Name: "vehicle", Pointer: "/vehicle", About: "Code of the vehicle, where several have the joint", synonyms: []string{"vehiclecode", "car"}},
		{Name: "joint", Pointer: "/joint", Needed: true, About: "Position or id of the joint", synonyms: []string{"position", "where", "place"}},
		{Name: "feature", Pointer: "/feature", About: "Code of the feature; the joint's usual one where none is given", synonyms: []string{"part", "bore", "cylinder"}},
		{Name: "value", Pointer: "/value", form: size, About: "What was measured", synonyms: []string{"size", "diameter", "dia", "measured", "reading", "measurement"}},
		{Name: "with", Pointer: "/with", form: word, About: "Kind of what measured", synonyms: []string{"method", "measuredwith", "by"}},
		{Name: "instrument", Pointer: "/instrument", About: "Tool number of what measured", synonyms: []string{"tool", "toolno", "toolnumber", "instrumentnumber"}},
		{Name: "gauge", Pointer: "/gauge", form: gauge, About: "Size or tool number of the gauge that was tried", synonyms: []string{"gaugesize", "pin", "plug"}},
		{Name: "result", Pointer: "/result", form: word, About: "go, no go or starts", synonyms: []string{"gonogo", "passes", "behaved"}},
		{Name: "station", Pointer: "/station", form: word, About: "mouth a, middle or mouth b", synonyms: []string{"depth", "along"}},
		{Name: "direction", Pointer: "/direction", form: number, About: "Degrees across the axis", synonyms: []string{"angle", "degrees"}},
		{Name: "end", Pointer: "/end", form: word, About: "Which end the gauge was tried from: a, b or both", synonyms: []string{"fromend"}},
		{Name: "part_length", Pointer: "/part_length", form: flag, About: "Yes: the gauge is shorter than the bore", synonyms: []string{"shortgauge"}},
		{Name: "deburred", Pointer: "/deburred", form: flag, About: "Yes: the mouth was free of burrs", synonyms: []string{"burrsremoved"}},
		{Name: "stage", Pointer: "/stage", form: word, About: "as found, cleaned, reamed or assembled", synonyms: []string{"state"}},
		{Name: "surface", Pointer: "/surface", form: word, About: "bright, rusty, pitted, scored or unknown", synonyms: []string{"finish"}},
		{Name: "temperature", Pointer: "/temperature", form: degrees, About: "Of the workpiece", synonyms: []string{"temp", "parttemperature"}},
		{Name: "taken_at", Pointer: "/taken_at", Needed: true, form: moment, About: "When it was taken: 2026-05-01, 2026-05-01 18:30 or 1.5.2026; a day alone is noon", synonyms: []string{"date", "day", "time", "taken", "takenon", "measuredon", "when"}},
	},
}

// ofModels are what a sheet may say of tool models: one of models in rows of their
// own, one of tools beside each tool.
var ofModels = []Field{
	{Name: "name", Pointer: "/name", About: "Name of the tool model", synonyms: []string{"modelname", "description", "tool"}},
	{Name: "kind", Pointer: "/kind", form: word, About: "Kind of the tool model; with it a model that is not there yet is made", synonyms: []string{"toolkind", "sort", "category"}},
	{Name: "size", Pointer: "/size", form: size, About: "Cutting diameter of a reamer, size of a gauge", synonyms: []string{"diameter", "dia", "cuttingdiameter", "gaugesize", "nominalsize"}},
	{Name: "tolerance_lower", Pointer: "/tolerance/lower", form: size, About: "What a reamer's cutting diameter is above its size at least", synonyms: []string{"lowertolerance"}},
	{Name: "tolerance_upper", Pointer: "/tolerance/upper", form: size, About: "What it is above its size at most", synonyms: []string{"uppertolerance"}},
	{Name: "gauge_class", Pointer: "/gauge_class", form: capital, About: "Class of a gauge (ASME B89.1.5)", synonyms: []string{"class"}},
	{Name: "gauge_sense", Pointer: "/gauge_sense", form: word, About: "plus or minus", synonyms: []string{"sense"}},
	{Name: "resolution", Pointer: "/resolution", form: size, About: "Smallest step of a scale", synonyms: []string{"step", "reads", "readsto"}},
	{Name: "range_from", Pointer: "/range_from", form: size, About: "Least size it measures or takes, or that an expansion reamer cuts", synonyms: []string{"from", "smallest"}},
	{Name: "range_to", Pointer: "/range_to", form: size, About: "Largest size it measures or takes, or that an expansion reamer cuts", synonyms: []string{"to", "largest"}},
	{Name: "flutes", Pointer: "/build/flutes", form: word, About: "straight or spiral"},
	{Name: "flute_count", Pointer: "/build/flute_count", form: number, About: "How many flutes a reamer has", synonyms: []string{"numberofflutes"}},
	{Name: "lead", Pointer: "/build/lead", form: word, About: "hand taper or machine"},
	{Name: "expansion", Pointer: "/build/expansion", form: flag, About: "Yes: the reamer's size is set by hand"},
	{Name: "piloted", Pointer: "/build/piloted", form: flag, About: "Yes: the reamer has a pilot"},
	{Name: "pilot", Pointer: "/build/pilot", form: size, About: "Diameter of the pilot", synonyms: []string{"pilotdiameter"}},
	{Name: "lead_length", Pointer: "/build/lead_length", form: size, About: "How far it goes beyond a bore until its full size has passed"},
	{Name: "length", Pointer: "/build/length", form: size, About: "Length of a reamer over all", synonyms: []string{"overalllength"}},
	{Name: "material", Pointer: "/build/material", form: word, About: "carbon steel, hss, hss cobalt or carbide"},
	{Name: "shank", Pointer: "/build/shank/shape", form: word, About: "straight, square, hexagon or morse taper", synonyms: []string{"shankshape"}},
	{Name: "shank_size", Pointer: "/build/shank/size", form: size, About: "Diameter of the shank, or across flats"},
	{Name: "shank_taper", Pointer: "/build/shank/taper", form: number, About: "Number of a Morse taper (ISO 296)", synonyms: []string{"morsetaper"}},
	{Name: "jaw_reach", Pointer: "/puller/jaw_reach", form: size, About: "From a puller's screw to its jaws", synonyms: []string{"reach"}},
	{Name: "jaw_opening", Pointer: "/puller/jaw_opening", form: size, About: "The widest between a puller's jaws", synonyms: []string{"opening"}},
	{Name: "stroke", Pointer: "/puller/stroke", form: size, About: "How far a puller's screw goes"},
	{Name: "screw_thread", Pointer: "/puller/screw_thread", About: "Thread of a puller's screw, such as M14x1.5", synonyms: []string{"thread"}},
	{Name: "charge_per_use", Pointer: "/charge_per_use", form: price, About: "What a use costs, in the club's currency", synonyms: []string{"charge", "price", "fee", "cost"}},
	{Name: "parts", Pointer: "/parts", form: number, About: "Loose pieces to count when it comes back; one where none is given", synonyms: []string{"pieces"}},
	{Name: "turnaround_hours", Pointer: "/turnaround_hours", form: number, About: "How long cleaning takes after each loan; as the club says where none is given", synonyms: []string{"turnaround"}},
	{Name: "certificate_needed", Pointer: "/certificate_needed", form: flag, About: "Yes: only for members who were shown how"},
	{Name: "approval_needed", Pointer: "/approval_needed", form: flag, About: "Yes: a tool keeper or officer approves each reservation"},
	{Name: "caution", Pointer: "/caution", About: "What to heed; the usual caution of its kind where none is given", synonyms: []string{"warning", "cautions", "safety"}},
}

// ofModelsOnly are what only a sheet of models may say: of a tool value and deposit
// are its own.
var ofModelsOnly = []Field{
	{Name: "value", Pointer: "/value", form: price, About: "What one is worth, in the club's currency", synonyms: []string{"worth"}},
	{Name: "deposit", Pointer: "/deposit", form: price, About: "What is left for one at the counter"},
	{Name: "entered", Pointer: "/entered", form: asEntered, About: "Lengths as they were entered, as the list of tool models tells them; what another column says otherwise comes first"},
}

func init() {
	code := Field{Name: "code", Pointer: "/code", Needed: true, About: "Short name that serves as an id", synonyms: []string{"model", "modelcode", "toolmodel", "type"}}
	fields[ToolModels] = append([]Field{code}, slices.Concat(ofModels, ofModelsOnly)...)
	for i := range fields[ToolModels] {
		f := &fields[ToolModels][i]
		f.Needed = f.Needed || f.Name == "name" || f.Name == "kind"
	}
	for _, f := range ofModels {
		f.Model = true
		fields[Tools] = append(fields[Tools], f)
	}
}

// Fields are what the rows of a kind may say.
func Fields(k Kind) []Field { return slices.Clone(fields[k]) }

// Synonyms are other names of the field's column, folded.
func (f Field) Synonyms() []string { return slices.Clone(f.synonyms) }
