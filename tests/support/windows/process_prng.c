/* A stand-in for bcryptprimitives.dll, which Wine 8 lacks and the Rust standard library takes its
 * random numbers from. For tests under Wine alone: Windows has the real one. */
#include <windows.h>
#include <ntsecapi.h>

__declspec(dllexport) BOOL WINAPI ProcessPrng(PBYTE data, SIZE_T length)
{
    while (length > 0) {
        ULONG piece = length > 0x10000 ? 0x10000 : (ULONG)length;
        if (!RtlGenRandom(data, piece))
            return FALSE;
        data += piece;
        length -= piece;
    }
    return TRUE;
}
