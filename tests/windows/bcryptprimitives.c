/* Debian's Wine 8.0 lacks the library that Rust's programs take random numbers from (ProcessPrng, Windows 10). For tests under
   Wine only: the same from advapi32. */
#include <windows.h>

BOOLEAN NTAPI SystemFunction036(PVOID buffer, ULONG length);

__declspec(dllexport) BOOL WINAPI ProcessPrng(PBYTE data, SIZE_T length) {
    return SystemFunction036(data, (ULONG)length);
}
