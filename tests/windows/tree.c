/* An agent that never answers: it starts itself once more, and both sleep. Each writes a line to the file it is given once a second, so
   that one sees who lives. For tests under Wine only. Usage: tree FILE. */
#include <stdio.h>
#include <string.h>
#include <windows.h>

int main(int count, char **words) {
    static char line[4096];
    STARTUPINFOA how = {sizeof how};
    PROCESS_INFORMATION child;
    const char *who = count > 2 ? "leaf" : "root";
    int second;
    if (count < 2) return 2;
    if (count == 2) {
        snprintf(line, sizeof line, "\"%s\" \"%s\" leaf", words[0], words[1]);
        if (!CreateProcessA(NULL, line, NULL, NULL, FALSE, 0, NULL, NULL, &how, &child)) return 3;
    }
    for (second = 0; second < 120; second++) {
        FILE *file = fopen(words[1], "a");
        if (file) {
            fprintf(file, "%s %lu\n", who, GetCurrentProcessId());
            fclose(file);
        }
        Sleep(1000);
    }
    return 0;
}
