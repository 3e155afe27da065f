package simulated

import (
	"bytes"
	_ "embed"
	"fmt"
	"strings"
	"text/template"
)

//go:embed bench.yaml.tmpl
var benchTemplate string

//go:embed poor.yaml.tmpl
var poorTemplate string

var poorFile = template.Must(template.New("poor bench file").Option("missingkey=error").Parse(poorTemplate))

// PoorBenchFile is a bench file for the same drive on a bench where everything is operated by hand, by the simulated person.
func (b *Bench) PoorBenchFile() []byte {
	common := "isolated"
	if b.params.Control.Feed == "from_bus" {
		common = "bus_negative"
	}
	var out bytes.Buffer
	err := poorFile.Execute(&out, map[string]any{
		"Name": b.name, "Drive": oneLine(b.params.Name), "Person": b.Addresses()["person"], "Common": common,
		"Bus": b.plant.BusSupply().Spec(), "Control": b.plant.ControlSupply().Spec(),
		"Stick": b.stick.folder, "Channels": channels,
	})
	if err != nil { // the template is part of the program
		panic(err)
	}
	return out.Bytes()
}

var benchFile = template.Must(template.New("bench file").Option("missingkey=error").Funcs(template.FuncMap{"next": func(i int) int { return i + 1 }}).Parse(benchTemplate))

// BenchFile is a complete bench file, YAML, that connects to this bench. The accuracies that it states are those the simulated
// instruments keep.
func (b *Bench) BenchFile() []byte {
	spec := b.plant.BusSupply().Spec()
	control := b.plant.ControlSupply().Spec()
	type contact struct {
		Name    string
		Channel int
		Safe    string
		Normal  string
	}
	var outputs, inputs []contact
	for i, name := range outputNames {
		outputs = append(outputs, contact{Name: name, Channel: i + 1, Safe: safeContacts[name]})
	}
	for i, name := range inputNames {
		inputs = append(inputs, contact{Name: name, Channel: i + 1, Normal: normalInputs[name]})
	}
	common := "isolated"
	if b.params.Control.Feed == "from_bus" {
		common = "bus_negative"
	}
	var out bytes.Buffer
	err := benchFile.Execute(&out, map[string]any{
		"Name": b.name, "Drive": oneLine(b.params.Name), "Links": b.Addresses(), "Common": common,
		"Bus": spec, "Control": control, "Outputs": outputs, "Inputs": inputs,
		"Points": b.plant.ColdPoints(), "High": rowHigh, "Low": rowLow, "PathsDiffer": fmt.Sprintf("%g ohm", 4*pathSpread),
	})
	if err != nil { // the template is part of the program
		panic(err)
	}
	return out.Bytes()
}

func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// safeContacts are the safe states of the outputs; the others are left as they stand.
var safeContacts = map[string]string{
	"enable": "open", "limit_forward": "open", "limit_reverse": "open", "thermal": "open", "charge_ok": "open",
	"inhibit": "closed", "bus_contactor": "open", "beacon": "leave", "sounder": "leave",
}

var normalInputs = map[string]string{"interlock": "closed", "fault_lamp": "open", "pedal": "open"}
