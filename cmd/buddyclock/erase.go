package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"path/filepath"

	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

// erase takes a diver's log out of the data file for good.
func (m *Main) erase(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock erase", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	diver := flags.String("diver", "", "the `name or id` of the diver")
	confirm := flags.String("confirm", "", "the diver's `name` once more, instead of being asked for it")
	const head = "buddyclock erase -diver NAME [-data DIR] [-confirm NAME]\n\nTakes a diver's holds, profile and series out of the data file for good."
	if _, code, ok := m.command(flags, args, 0, head); !ok {
		return code
	}
	if *diver == "" {
		return m.misused(flags, head, errors.New("say whom with -diver NAME"))
	}
	st, dir, err := m.openData(*data, false)
	if err != nil {
		return m.fail(err)
	}
	defer st.Close()
	// What an earlier try left comes first: its diver is in the log no more.
	if err := st.Wipe(ctx); err != nil {
		return m.fail(err)
	}
	who, err := findDiver(ctx, st, logbook.Scope{}, *diver)
	if err != nil {
		return m.fail(err)
	}
	plan, err := logbook.PlanErase(ctx, st, logbook.Scope{Diver: who})
	if err != nil {
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "%s: holds %d, events %d\n", who.Name, plan.Holds, plan.Events)
	if plan.Named > 0 {
		fmt.Fprintf(m.Stdout, "%d holds of others name them as their buddy; those stay\n", plan.Named)
	}
	if *confirm == "" {
		fmt.Fprint(m.Stdout, "this cannot be undone; type the name to erase: ")
		*confirm, _ = bufio.NewReader(m.Stdin).ReadString('\n')
	}
	if logbook.NameKey(*confirm) != logbook.NameKey(who.Name) {
		fmt.Fprint(m.Stdout, "\nnothing was erased\n")
		return exitFailed
	}
	n, err := plan.Carry(ctx, st)
	if err != nil {
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "\nerased %d events; phones that still have them are told to erase theirs when they come\n", n)
	aside, _ := filepath.Glob(filepath.Join(dir, store.FileName+".damaged*"))
	for _, path := range aside {
		fmt.Fprintf(m.Stdout, "not looked into: %s, set aside as damaged; delete it if it is no longer needed\n", path)
	}
	return exitOK
}
