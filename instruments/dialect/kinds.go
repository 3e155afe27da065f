package dialect

import "benchwarden/instruments/quantity"

// sort is what a parameter or a value in an answer is.
type sort string

const (
	aNumber sort = "a measured number"
	aWhole  sort = "a whole number"
	aSwitch sort = "a yes or no"
	aWord   sort = "a word"
	aText   sort = "text"
	aStatus sort = "a status"
	aBlock  sort = "a block"
)

// param is a command's or question's parameter.
type param struct {
	is    sort
	unit  quantity.Unit // of a number
	words []string      // of a word: ours
}

// value is one thing that an answer tells.
type value struct {
	is       sort
	unit     quantity.Unit
	words    []string
	optional bool
}

// command and question are what the drivers of a kind may use, and need.
type command struct {
	needed bool
	params map[string]param
}

type question struct {
	needed bool
	params map[string]param
	values map[string]value
}

// kind is what an instrument of one kind is told and asked. Names of parameters are also the names of the ranges.
type kind struct {
	commands    map[string]command
	questions   map[string]question
	states      []string // what a status may say
	overCurrent bool     // the file says what over-current protection does
}

func number1(name string, unit quantity.Unit) map[string]param {
	return map[string]param{name: {is: aNumber, unit: unit}}
}

func whole1(name string) map[string]param { return map[string]param{name: {is: aWhole}} }

func word1(name string, words ...string) map[string]param {
	return map[string]param{name: {is: aWord, words: words}}
}

func text1(name string) map[string]param { return map[string]param{name: {is: aText}} }

var switch1 = map[string]param{"on": {is: aSwitch}}

// both joins parameters.
func both(a, b map[string]param) map[string]param {
	joined := map[string]param{}
	for _, m := range []map[string]param{a, b} {
		for name, p := range m {
			joined[name] = p
		}
	}
	return joined
}

func gives(name string, unit quantity.Unit) map[string]value {
	return map[string]value{name: {is: aNumber, unit: unit}}
}

func tells(name string, is sort) map[string]value { return map[string]value{name: {is: is}} }

// measured are the values that a supply's mode and its readings consist of.
var (
	volts  = value{is: aNumber, unit: quantity.Volt}
	amps   = value{is: aNumber, unit: quantity.Ampere}
	output = value{is: aSwitch}
	status = value{is: aStatus}
)

// States that a supply and a scope tell of themselves.
const (
	ConstantCurrent = "cc"
	ConstantVoltage = "cv"
	OutputOff       = "off"
	OverVoltage     = "over_voltage" // its protection has acted
	OverCurrent     = "over_current"
	Waiting         = "waiting"   // for a trigger
	Measuring       = "measuring" // a record is being taken
	Done            = "done"      // neither; said only by those that have a word for it
)

var kinds = map[string]kind{
	"supply": {
		commands: map[string]command{
			"set_voltage":      {needed: true, params: number1("voltage", quantity.Volt)},
			"set_current":      {params: number1("current", quantity.Ampere)},
			"output":           {needed: true, params: switch1},
			"set_over_voltage": {params: number1("over_voltage", quantity.Volt)},
			"over_voltage_on":  {params: switch1},
			"set_over_current": {params: number1("over_current", quantity.Ampere)},
			"over_current_on":  {params: switch1},
			"clear_protection": {},
			"set_watchdog":     {params: number1("watchdog", quantity.Second)},
		},
		questions: map[string]question{
			"voltage":          {needed: true, values: gives("voltage", quantity.Volt)},
			"current":          {needed: true, values: gives("current", quantity.Ampere)},
			"mode":             {needed: true, values: map[string]value{"status": status, "on": output}},
			"reading":          {values: map[string]value{"voltage": volts, "current": amps, "status": status, "on": output}},
			"voltage_setpoint": {needed: true, values: gives("voltage_setpoint", quantity.Volt)},
			"current_setpoint": {values: gives("current_setpoint", quantity.Ampere)},
			"over_voltage":     {values: gives("over_voltage", quantity.Volt)},
			"over_current":     {values: gives("over_current", quantity.Ampere)},
			"over_voltage_on":  {values: tells("over_voltage_on", aSwitch)},
			"over_current_on":  {values: tells("over_current_on", aSwitch)},
			"watchdog":         {values: gives("watchdog", quantity.Second)},
		},
		states:      []string{ConstantCurrent, ConstantVoltage, OutputOff, OverVoltage, OverCurrent},
		overCurrent: true,
	},
	"meter": {
		questions: map[string]question{
			"dc_volts":       {needed: true, values: gives("dc_volts", quantity.Volt)},
			"dc_current":     {values: gives("dc_current", quantity.Ampere)},
			"ohms":           {values: gives("ohms", quantity.Ohm)},
			"ohms_four_wire": {values: gives("ohms_four_wire", quantity.Ohm)},
			"diode":          {values: gives("diode", quantity.Volt)},
			"temperature":    {values: gives("temperature", quantity.DegC)},
		},
	},
	"scope": {
		commands: map[string]command{
			"prepare":           {},
			"input":             {needed: true, params: both(whole1("channel"), switch1)},
			"factor":            {params: both(whole1("channel"), number1("factor", quantity.One))},
			"full_scale":        {needed: true, params: both(whole1("channel"), number1("full_scale", quantity.Volt))},
			"centre":            {needed: true, params: both(whole1("channel"), number1("centre", quantity.Volt))},
			"points":            {needed: true, params: whole1("points")},
			"interval":          {needed: true, params: number1("interval", quantity.Second)},
			"position":          {needed: true, params: number1("position", quantity.One)},
			"peak_detect":       {params: switch1},
			"trigger_at_once":   {needed: true},
			"trigger_source":    {needed: true, params: whole1("channel")},
			"trigger_level":     {needed: true, params: number1("level", quantity.Volt)},
			"trigger_edge":      {needed: true, params: word1("edge", "rising", "falling", "either")},
			"arm":               {needed: true},
			"stop":              {needed: true},
			"force":             {needed: true},
			"select_for_answer": {params: whole1("channel")},
		},
		questions: map[string]question{
			"state": {needed: true, values: map[string]value{"status": status}},
			"preamble": {params: whole1("channel"), values: map[string]value{
				"points": {is: aWhole, optional: true}, "step": {is: aNumber, unit: quantity.Second}, "start": {is: aNumber, unit: quantity.Second},
				"scale": volts, "offset": volts, "zero": {is: aNumber, optional: true},
				"low_clip": {is: aWhole, optional: true}, "high_clip": {is: aWhole, optional: true}}},
			"trace_step":   {params: whole1("channel"), values: gives("step", quantity.Second)},
			"trace_start":  {params: whole1("channel"), values: gives("start", quantity.Second)},
			"trace_scale":  {params: whole1("channel"), values: gives("scale", quantity.Volt)},
			"trace_offset": {params: whole1("channel"), values: gives("offset", quantity.Volt)},
			"trace":        {needed: true, params: whole1("channel"), values: tells("trace", aBlock)},
		},
		states: []string{Waiting, Measuring, Done},
	},
	"hall": {
		commands: map[string]command{
			"output":    {needed: true, params: switch1},
			"code":      {needed: true, params: whole1("code")},
			"line":      {needed: true, params: both(whole1("line"), word1("state", "driven", "open", "short"))},
			"spacing":   {needed: true, params: whole1("spacing")},
			"mode":      {needed: true, params: word1("mode", "hold", "run")},
			"frequency": {needed: true, params: number1("frequency", quantity.PerSecond)},
			"direction": {needed: true, params: word1("direction", "forward", "reverse")},
		},
		questions: map[string]question{
			"sense":      {needed: true, values: tells("sense", aWhole)},
			"output":     {needed: true, values: tells("output", aSwitch)},
			"code":       {values: tells("code", aWhole)},
			"spacing":    {values: tells("spacing", aWhole)},
			"line_state": {params: whole1("line"), values: map[string]value{"line_state": {is: aWord, words: []string{"driven", "open", "short"}}}},
		},
	},
	"contacts": {
		commands: map[string]command{
			"close": {needed: true, params: whole1("channel")},
			"open":  {needed: true, params: whole1("channel")},
		},
		questions: map[string]question{
			"closed": {needed: true, params: whole1("channel"), values: tells("closed", aSwitch)},
			"input":  {params: whole1("input"), values: tells("input", aSwitch)},
		},
	},
	"matrix": {
		commands: map[string]command{
			"connect":     {needed: true, params: both(whole1("row"), whole1("column"))},
			"connect_two": {params: both(both(whole1("row"), whole1("column")), both(whole1("other_row"), whole1("other_column")))},
			"open_all":    {needed: true},
		},
		questions: map[string]question{
			"connected": {needed: true, params: both(whole1("row"), whole1("column")), values: tells("connected", aSwitch)},
			"closed":    {needed: true, values: tells("closed", aText)},
		},
	},
	"person": {
		commands: map[string]command{
			"place":  {needed: true, params: both(text1("probe"), text1("point"))},
			"fit":    {needed: true, params: text1("stand_in")},
			"remove": {needed: true, params: text1("stand_in")},
			"join":   {needed: true, params: text1("points")},
			"tap":    {needed: true, params: text1("place")},
		},
		questions: map[string]question{
			"clear":   {needed: true, values: tells("clear", aSwitch)},
			"act":     {needed: true, values: tells("act", aSwitch)},
			"read":    {needed: true, params: text1("what"), values: tells("read", aNumber)},
			"devices": {needed: true, values: tells("devices", aSwitch)},
			"answer":  {params: text1("what"), values: tells("answer", aText)},
		},
	},
}
