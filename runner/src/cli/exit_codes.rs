//! What commands may end with, as their help says it, where that takes more than a line.

pub(super) const EXIT_CODES: &str = "Exit codes: 0 every verdict passes (or the command worked); 1 complete, something does not \
                          pass; 2 usage or plan invalid, nothing touched; 3 incomplete; 4 nothing selected, or nothing \
                          that counts; 5 bench refused before the start; 6 could not make safe; 74 a file or the store \
                          could not be read or written; 101 a fault in this program; 130/143 stopped by a signal, after \
                          a safe stop. Every command lists its own: nightbench COMMAND --help.";
pub(super) const OF_CHECK: &str = "Exit codes: 0 no mistakes; 2 mistakes, or no such file; 4 the plan leaves everything out; 5 the bench \
                        cannot run it; 74 a study that the plan names could not be read.";
pub(super) const OF_NEW: &str = "Exit codes: 0 written; 2 a file named does not fit, or the plan's name is taken; 74 the plan could not be \
                      written.";
pub(super) const OF_PREVIEW: &str = "Exit codes: 0 done; 2 mistakes in plan, bench file or selection; 4 nothing selected; 5 the \
                          bench refuses (with --bench); 74 the page could not be written.";
pub(super) const OF_RUN: &str = "Exit codes: 0 every condition that counts passes; 1 complete, something does not pass (a conditional \
                      pass is not a pass); 2 usage or plan invalid, or the folder holds another run: nothing touched; 3 \
                      incomplete: something that counts was not measured; 4 nothing selected, or nothing that counts (only \
                      conditions beyond a module's rating, or without a limit); 5 the bench refused before the start; 6 \
                      could not make safe; 74 the store could not be read or written, or another run uses it; 130/143 stopped \
                      by a signal, after a safe stop.";
pub(super) const OF_LOOK: &str = "Exit codes: 0 drawn, whatever the eyes are; 2 mistakes in plan or selection, or too many conditions \
                       to look at; 3 a condition could not be measured; 4 nothing selected; 5, 6, 74, 130/143 as for `run`.";
pub(super) const OF_VERDICT: &str = "Exit codes: those of the verdicts, as of `run`: 0 every condition that counts passes; 1 something \
                          does not pass; 3 something that counts is not measured; 4 nothing counts. `report --eye`: 0 when drawn; \
                          `report --verify`: 0 as it was, 1 something differs, 74 changed, or never known. Also 2 no such folder, or mistakes in a file; 74 the store or the page could not be read or written.";
pub(super) const OF_FOLDER: &str =
    "Exit codes: 0 done, whatever the results are; 2 no such folder; 74 the store could not be read.";
pub(super) const OF_STUDY: &str = "Exit codes: 0 done; 2 no such folder; 3 too few repeats or re-seats to say anything; 74 the store \
                        could not be read.";
pub(super) const OF_COMPARE: &str = "Exit codes: 0 nothing got worse; 1 something did; 2 no such folder, or runs that cannot be \
                          compared; 3 nothing did for certain, a condition is undecided; 4 the runs have no condition in common; 74 a store or the page could not be \
                          read or written.";
pub(super) const OF_EXPORT: &str = "Exit codes: 0 written; 2 no such folder, or a wrong selection; 4 the selection holds no condition of \
                         the run; 74 the store or the file could not be read or written.";
pub(super) const OF_WHY: &str = "Exit codes: 0 told, whatever was found; 2 no such folder, or a wrong selection; 4 no condition of the \
                      selection has a margin; 74 the store could not be read.";
pub(super) const OF_DERIVE: &str = "Exit codes: 0 derived and frozen; 1 room temperature cannot sort these units, with the reasons; 2 no such folder, \
                        or one that does not hold what a test needs; 3 the sample is not measured whole; 5, 6, 74, 130/143 as for `run`.";
pub(super) const OF_LINE: &str = "Exit codes, also for a handler that tests one unit a call: 0 every unit was a go; 1 a no-go; 3 no no-go, but a \
                      unit to corner test, or not measured; 2 the test was touched, or does not fit: nothing was measured; 4 nothing \
                      to do; 5 the lot is stopped by its golden units, or the bench refused; 6 could not make safe; 74 the lot could \
                      not be read or written; 130/143 stopped by a signal, after a safe stop.";
pub(super) const OF_LOT: &str = "Exit codes: 0 told, and the test holds; 1 golden units stopped the lot, the mean residual drifted, or a drawn unit \
                     was bad; 2 no such lot, or mistakes in a file; 74 the lot is damaged, or a file could not be written.";
pub(super) const OF_FIT: &str = "Exit codes: 0 correlated: held-out margins agree and nothing left out gains more than chance; 1 a misfit; 3 what was \
                     held out is too little, or too little known, to say; 2 no such plan, folder, figure or selection; 4 nothing is left to be fitted, or \
                     held out; 74 a folder is damaged, the model has no answer, or a file could not be written.";
pub(super) const OF_FILE: &str = "Exit codes: 0 read; 2 no such file, or mistakes in it.";
